"""The hash of each preview, changes of the signing key, and time stamps of records."""

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Previews that are there keep no hash: what has none is drawn from its original."""
    op.add_column("images", sa.Column("preview_sha256", sa.String(64)))
    op.add_column("records", sa.Column("time_stamp", sa.LargeBinary()))
    op.create_table(
        "key_changes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("statement", sa.LargeBinary(), nullable=False),
        sa.Column("signature", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_key_changes")),
    )


def downgrade() -> None:
    """Take them away."""
    op.drop_table("key_changes")
    op.drop_column("records", "time_stamp")
    op.drop_column("images", "preview_sha256")
