"""The first schema."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    """Lay the tables out."""
    op.create_table(
        "images",
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("stored_at", sa.String(27), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_images")),
    )
    op.create_table(
        "logbook",
        sa.Column("id", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("uuid", sa.String(36), nullable=False),
        sa.Column("created_at", sa.String(27), nullable=False),
        sa.Column("program_version", sa.String(40), nullable=False),
        sa.Column("images_url", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_logbook")),
    )
    op.create_table(
        "plans",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.Column("site", sa.Text(), nullable=False),
        sa.Column("since", sa.String(27), nullable=False),
        sa.Column("by", sa.Text(), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_plans")),
    )
    op.create_table(
        "comparisons",
        sa.Column("reference_sha256", sa.String(64), nullable=False),
        sa.Column("today_sha256", sa.String(64), nullable=False),
        sa.Column("method", sa.String(120), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("at", sa.String(27), nullable=False),
        sa.ForeignKeyConstraint(["reference_sha256"], ["images.sha256"], name=op.f("fk_comparisons_reference_sha256")),
        sa.ForeignKeyConstraint(["today_sha256"], ["images.sha256"], name=op.f("fk_comparisons_today_sha256")),
        sa.PrimaryKeyConstraint("reference_sha256", "today_sha256", "method", name=op.f("pk_comparisons")),
    )
    op.create_index(op.f("ix_comparisons_today_sha256"), "comparisons", ["today_sha256"], unique=False)
    op.create_table(
        "measurements",
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("method", sa.String(120), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.Column("at", sa.String(27), nullable=False),
        sa.ForeignKeyConstraint(["sha256"], ["images.sha256"], name=op.f("fk_measurements_sha256")),
        sa.PrimaryKeyConstraint("sha256", "method", name=op.f("pk_measurements")),
    )
    op.create_table(
        "visits",
        sa.Column("number", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("kind", sa.String(20), nullable=False),
        sa.Column("on_day", sa.String(10), nullable=False),
        sa.Column("started_at", sa.String(27), nullable=False),
        sa.Column("signed_at", sa.String(27), nullable=True),
        sa.Column("signed_by", sa.Text(), nullable=True),
        sa.Column("plan", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["plan"], ["plans.id"], name=op.f("fk_visits_plan")),
        sa.PrimaryKeyConstraint("number", name=op.f("pk_visits")),
    )
    op.create_table(
        "answers",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("photo", sa.Text(), nullable=False),
        sa.Column("camera", sa.Text(), nullable=True),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("at", sa.String(27), nullable=False),
        sa.ForeignKeyConstraint(["visit"], ["visits.number"], name=op.f("fk_answers_visit")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_answers")),
    )
    op.create_index(op.f("ix_answers_visit"), "answers", ["visit"], unique=False)
    op.create_table(
        "decisions",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("camera", sa.Text(), nullable=False),
        sa.Column("check", sa.String(20), nullable=False),
        sa.Column("decision", sa.String(10), nullable=False),
        sa.Column("by", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("at", sa.String(27), nullable=False),
        sa.Column("finding_state", sa.String(20), nullable=True),
        sa.Column("finding_sha256", sa.String(64), nullable=True),
        sa.Column("undoes", sa.Integer(), nullable=True),
        sa.ForeignKeyConstraint(["undoes"], ["decisions.id"], name=op.f("fk_decisions_undoes")),
        sa.ForeignKeyConstraint(["visit"], ["visits.number"], name=op.f("fk_decisions_visit")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_decisions")),
    )
    op.create_index(op.f("ix_decisions_visit_camera"), "decisions", ["visit", "camera"], unique=False)
    op.create_table(
        "photos",
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("file_name", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=False),
        sa.Column("mtime_ns", sa.BigInteger(), nullable=True),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["sha256"], ["images.sha256"], name=op.f("fk_photos_sha256")),
        sa.ForeignKeyConstraint(["visit"], ["visits.number"], name=op.f("fk_photos_visit")),
        sa.PrimaryKeyConstraint("visit", "name", name=op.f("pk_photos")),
    )
    op.create_index(op.f("ix_photos_sha256"), "photos", ["sha256"], unique=False)
    op.create_index(op.f("ix_photos_visit_file_name"), "photos", ["visit", "file_name"], unique=False)
    op.create_table(
        "records",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("record", sa.LargeBinary(), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("signature", sa.LargeBinary(), nullable=False),
        sa.Column("public_key", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["visit"], ["visits.number"], name=op.f("fk_records_visit")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_records")),
        sa.UniqueConstraint("visit", name=op.f("uq_records_visit")),
    )
    op.create_table(
        "reference_images",
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("camera", sa.Text(), nullable=False),
        sa.Column("channel", sa.String(10), nullable=False),
        sa.Column("sha256", sa.String(64), nullable=False),
        sa.Column("photo", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["sha256"], ["images.sha256"], name=op.f("fk_reference_images_sha256")),
        sa.ForeignKeyConstraint(["visit"], ["visits.number"], name=op.f("fk_reference_images_visit")),
        sa.PrimaryKeyConstraint("visit", "camera", "channel", name=op.f("pk_reference_images")),
    )
    op.create_index(
        op.f("ix_reference_images_camera_channel_visit"),
        "reference_images",
        ["camera", "channel", "visit"],
        unique=False,
    )
    op.create_table(
        "refusals",
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("kind", sa.Text(), nullable=False),
        sa.Column("message", sa.Text(), nullable=False),
        sa.Column("size_bytes", sa.BigInteger(), nullable=True),
        sa.Column("mtime_ns", sa.BigInteger(), nullable=True),
        sa.Column("at", sa.String(27), nullable=False),
        sa.ForeignKeyConstraint(["visit"], ["visits.number"], name=op.f("fk_refusals_visit")),
        sa.PrimaryKeyConstraint("visit", "name", name=op.f("pk_refusals")),
    )
    op.create_table(
        "verdict_counts",
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("cameras", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["visit"], ["visits.number"], name=op.f("fk_verdict_counts_visit")),
        sa.PrimaryKeyConstraint("visit", "rank", name=op.f("pk_verdict_counts")),
    )
    op.create_table(
        "verdicts",
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("camera", sa.Text(), nullable=False),
        sa.Column("rank", sa.Integer(), nullable=False),
        sa.Column("probability_good", sa.Float(), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(["visit"], ["visits.number"], name=op.f("fk_verdicts_visit")),
        sa.PrimaryKeyConstraint("visit", "camera", name=op.f("pk_verdicts")),
    )
    op.create_index(op.f("ix_verdicts_camera_visit"), "verdicts", ["camera", "visit"], unique=False)
    op.create_index(
        op.f("ix_verdicts_visit_rank_probability_good_camera"),
        "verdicts",
        ["visit", "rank", "probability_good", "camera"],
        unique=False,
    )
    op.create_table(
        "placements",
        sa.Column("visit", sa.Integer(), nullable=False),
        sa.Column("photo", sa.Text(), nullable=False),
        sa.Column("camera", sa.Text(), nullable=True),
        sa.Column("decision", sa.String(10), nullable=False),
        sa.Column("role", sa.String(10), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["visit", "photo"], ["photos.visit", "photos.name"], name=op.f("fk_placements_visit_photo")
        ),
        sa.PrimaryKeyConstraint("visit", "photo", name=op.f("pk_placements")),
    )
    op.create_index(op.f("ix_placements_visit_camera"), "placements", ["visit", "camera"], unique=False)
    op.create_index(op.f("ix_placements_visit_decision"), "placements", ["visit", "decision"], unique=False)


def downgrade() -> None:
    """Take them away."""
    op.drop_table("placements")
    op.drop_table("verdicts")
    op.drop_table("verdict_counts")
    op.drop_table("refusals")
    op.drop_table("reference_images")
    op.drop_table("records")
    op.drop_table("photos")
    op.drop_table("decisions")
    op.drop_table("answers")
    op.drop_table("visits")
    op.drop_table("measurements")
    op.drop_table("comparisons")
    op.drop_table("plans")
    op.drop_table("logbook")
    op.drop_table("images")
