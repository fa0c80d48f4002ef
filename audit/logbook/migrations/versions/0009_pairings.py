"""Phones let into a visit's aiming."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """A list that only grows, by visit."""
    op.create_table(
        "pairings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("pairing", sa.String(16), nullable=False),
        sa.Column("event", sa.String(10), nullable=False),
        sa.Column("name", sa.Text()),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("at", sa.String(27), nullable=False),
        sa.ForeignKeyConstraint(["visit"], ["visits.number"], name=op.f("fk_pairings_visit")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pairings")),
    )
    op.create_index(op.f("ix_pairings_visit"), "pairings", ["visit"])


def downgrade() -> None:
    """Take it away."""
    op.drop_table("pairings")
