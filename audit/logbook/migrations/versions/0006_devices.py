"""What cameras say of themselves over the network."""

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """One row a camera and visit."""
    op.create_table(
        "devices",
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("camera", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["visit"], ["visits.number"], name=op.f("fk_devices_visit")),
        sa.PrimaryKeyConstraint("visit", "camera", name=op.f("pk_devices")),
    )


def downgrade() -> None:
    """Take it away."""
    op.drop_table("devices")
