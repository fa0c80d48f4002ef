"""Where a person sees a landmark or target in a camera's picture."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """A list that only grows, by visit and camera."""
    op.create_table(
        "points",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("camera", sa.Text(), nullable=False),
        sa.Column("landmark", sa.Text(), nullable=False),
        sa.Column("photo", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("column_px", sa.Float()),
        sa.Column("row_px", sa.Float()),
        sa.Column("confirmed", sa.Integer(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("at", sa.String(27), nullable=False),
        sa.Column("undoes", sa.Integer()),
        sa.ForeignKeyConstraint(["visit"], ["visits.number"], name=op.f("fk_points_visit")),
        sa.ForeignKeyConstraint(["sha256"], ["images.sha256"], name=op.f("fk_points_sha256")),
        sa.ForeignKeyConstraint(["undoes"], ["points.id"], name=op.f("fk_points_undoes")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_points")),
    )
    op.create_index(op.f("ix_points_visit_camera"), "points", ["visit", "camera"])


def downgrade() -> None:
    """Take it away."""
    op.drop_table("points")
