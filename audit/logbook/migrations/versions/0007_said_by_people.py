"""What people say: own findings and promises beside decisions, what a photo is, and which picture is the reference."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_ADDED = (
    ("decisions", sa.Column("said_state", sa.String(20))),
    ("decisions", sa.Column("photo", sa.Text())),
    ("decisions", sa.Column("column_px", sa.Float())),
    ("decisions", sa.Column("row_px", sa.Float())),
    ("decisions", sa.Column("due", sa.String(10))),
    ("answers", sa.Column("role", sa.String(20))),
    ("verdicts", sa.Column("judged", sa.Text())),
    ("reference_images", sa.Column("why", sa.Text())),
    ("reference_images", sa.Column("glass", sa.String(20))),
)


def upgrade() -> None:
    """Verdicts that are there are as they were judged; references that are there keep no reason."""
    for table, column in _ADDED:
        op.add_column(table, column)
    op.execute("UPDATE verdicts SET judged = body")
    op.create_table(
        "reference_choices",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("camera", sa.Text(), nullable=False),
        sa.Column("channel", sa.String(10), nullable=False),
        sa.Column("choice", sa.String(10), nullable=False),
        sa.Column("photo", sa.Text()),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("at", sa.String(27), nullable=False),
        sa.ForeignKeyConstraint(["visit"], ["visits.number"], name=op.f("fk_reference_choices_visit")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_reference_choices")),
    )
    op.create_index(op.f("ix_reference_choices_camera_channel_visit"), "reference_choices", ["camera", "channel", "visit"])


def downgrade() -> None:
    """Take them away."""
    op.drop_table("reference_choices")
    for table, column in reversed(_ADDED):
        op.drop_column(table, column.name)
