"""The package's language, and drawings that wait for a visit."""

import sqlalchemy as sa
from alembic import op

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """A setting of the logbook, and one drawing a floor until a visit takes it over."""
    op.add_column("logbook", sa.Column("package_language", sa.String(10)))
    op.create_table(
        "waiting_drawings",
        sa.Column("floor", sa.Text(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("picture_sha256", sa.String(64), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("at", sa.String(27), nullable=False),
        sa.ForeignKeyConstraint(["sha256"], ["images.sha256"], name=op.f("fk_waiting_drawings_sha256")),
        sa.ForeignKeyConstraint(["picture_sha256"], ["images.sha256"], name=op.f("fk_waiting_drawings_picture_sha256")),
        sa.PrimaryKeyConstraint("floor", name=op.f("pk_waiting_drawings")),
    )


def downgrade() -> None:
    """Take them away."""
    op.drop_table("waiting_drawings")
    op.drop_column("logbook", "package_language")
