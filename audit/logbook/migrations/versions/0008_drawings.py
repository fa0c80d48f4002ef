"""Drawings under the plan, a floor each."""

import sqlalchemy as sa
from alembic import op

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """A list that only grows, by floor."""
    op.create_table(
        "drawings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("floor", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("picture_sha256", sa.String(64), nullable=False),
        sa.Column("body", sa.Text()),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("at", sa.String(27), nullable=False),
        sa.ForeignKeyConstraint(["visit"], ["visits.number"], name=op.f("fk_drawings_visit")),
        sa.ForeignKeyConstraint(["sha256"], ["images.sha256"], name=op.f("fk_drawings_sha256")),
        sa.ForeignKeyConstraint(["picture_sha256"], ["images.sha256"], name=op.f("fk_drawings_picture_sha256")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_drawings")),
    )
    op.create_index(op.f("ix_drawings_floor_visit"), "drawings", ["floor", "visit"])


def downgrade() -> None:
    """Take it away."""
    op.drop_table("drawings")
