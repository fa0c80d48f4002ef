"""Planned cameras one by one, so that a camera's page doesn't read a plan of 50,000 of them."""

import json

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

_ROWS_AT_ONCE = 2000


def upgrade() -> None:
    """Lay the table out and fill it from the plans that are there."""
    cameras = op.create_table(
        "plan_cameras",
        sa.Column("plan", sa.Integer(), nullable=False),
        sa.Column("camera", sa.Text(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["plan"], ["plans.id"], name=op.f("fk_plan_cameras_plan")),
        sa.PrimaryKeyConstraint("plan", "camera", name=op.f("pk_plan_cameras")),
    )
    connection = op.get_bind()
    for plan, site in connection.execute(sa.text("SELECT id, site FROM plans ORDER BY id")).all():
        rows = [
            {
                "plan": plan,
                "camera": camera["camera"],
                "body": json.dumps(camera, separators=(",", ":"), sort_keys=True, ensure_ascii=False),
            }
            for camera in json.loads(site)["cameras"]
        ]
        for start in range(0, len(rows), _ROWS_AT_ONCE):
            op.bulk_insert(cameras, rows[start : start + _ROWS_AT_ONCE])


def downgrade() -> None:
    """Take it away."""
    op.drop_table("plan_cameras")
