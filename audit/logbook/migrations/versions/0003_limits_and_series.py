"""The limits that a visit is judged by, and what several pictures of one camera tell together."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Visits that are there keep no limits: they were judged by the program's own."""
    op.add_column("visits", sa.Column("limits", sa.Text()))
    op.create_table(
        "series",
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("camera", sa.Text(), nullable=False),
        sa.Column("images", sa.String(64), nullable=False),
        sa.Column("method", sa.String(120), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("at", sa.String(27), nullable=False),
        sa.ForeignKeyConstraint(["visit"], ["visits.number"], name=op.f("fk_series_visit")),
        sa.PrimaryKeyConstraint("visit", "camera", "images", "method", name=op.f("pk_series")),
    )


def downgrade() -> None:
    """Take both away."""
    op.drop_table("series")
    op.drop_column("visits", "limits")
