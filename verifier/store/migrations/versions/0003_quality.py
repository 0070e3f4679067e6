"""Quality control: levels, control results, corrective actions, standings, reviews, monitors."""

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None

_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Create the tables of quality control, and find decisions by their time."""
    op.create_table(
        "control_level",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("test", sa.Text(), nullable=False),
        sa.Column("analyzer", sa.Text(), nullable=False),
        sa.Column("material", sa.Text(), nullable=False),
        sa.Column("lot", sa.Text(), nullable=False),
        sa.Column("level", sa.Text(), nullable=False),
        sa.Column("mark", sa.Text(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("mean", sa.Text(), nullable=False),
        sa.Column("sd", sa.Text(), nullable=False),
        sa.Column("expires", sa.BigInteger(), nullable=True),
        sa.Column("basis", sa.Text(), nullable=False),
        sa.Column("own_from", sa.BigInteger(), nullable=True),
        sa.Column("added", sa.BigInteger(), nullable=False),
        sa.Column("ended", sa.BigInteger(), nullable=True),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("control_level_by_test", "control_level", ["test", "id"], unique=False)
    op.create_table(
        "corrective_action",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("test", sa.Text(), nullable=False),
        sa.Column("analyzer", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index(
        "corrective_action_by_time", "corrective_action", ["test", "analyzer", "at"], unique=False
    )
    op.create_table(
        "monitor_alarm",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("test", sa.Text(), nullable=False),
        sa.Column("analyzer", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("seen", sa.BigInteger(), nullable=True),
        sa.Column("seen_by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index(
        "monitor_alarm_open",
        "monitor_alarm",
        ["id"],
        unique=False,
        sqlite_where=sa.text("seen IS NULL"),
        postgresql_where=sa.text("seen IS NULL"),
    )
    op.create_table(
        "patient_monitor",
        sa.Column("test", sa.Text(), nullable=False),
        sa.Column("analyzer", sa.Text(), nullable=False),
        sa.Column("plan", sa.Text(), nullable=False),
        sa.Column("moving", sa.Text(), nullable=False),
        sa.Column("statistic", sa.Text(), nullable=False),
        sa.Column("alarm", sa.Boolean(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("test", "analyzer"),
    )
    op.create_table(
        "quality_standing",
        sa.Column("test", sa.Text(), nullable=False),
        sa.Column("analyzer", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("why", sa.Text(), nullable=False),
        sa.Column("since", sa.BigInteger(), nullable=True),
        sa.Column("latest", sa.BigInteger(), nullable=True),
        sa.Column("good", sa.BigInteger(), nullable=True),
        sa.Column("due", sa.BigInteger(), nullable=True),
        sa.Column("results", sa.Integer(), nullable=False),
        sa.Column("counted_from", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("test", "analyzer"),
    )
    op.create_table(
        "control_result",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("message_id", sa.BigInteger(), nullable=True),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("arrived", sa.BigInteger(), nullable=False),
        sa.Column("test", sa.Text(), nullable=False),
        sa.Column("analyzer", sa.Text(), nullable=False),
        sa.Column("level_id", sa.BigInteger(), nullable=True),
        sa.Column("specimen", sa.Text(), nullable=False),
        sa.Column("lot", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("run", sa.Text(), nullable=False),
        sa.Column("mean", sa.Text(), nullable=False),
        sa.Column("sd", sa.Text(), nullable=False),
        sa.Column("basis", sa.Text(), nullable=False),
        sa.Column("verdict", sa.Text(), nullable=False),
        sa.Column("rules", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["level_id"],
            ["control_level.id"],
        ),
        sa.ForeignKeyConstraint(
            ["message_id"],
            ["message.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("control_result_by_level", "control_result", ["level_id", "at"], unique=False)
    op.create_index(
        "control_result_by_time", "control_result", ["test", "analyzer", "at"], unique=False
    )
    op.create_index(
        "control_result_not_judged",
        "control_result",
        ["at"],
        unique=False,
        sqlite_where=sa.text("verdict = 'not judged'"),
        postgresql_where=sa.text("verdict = 'not judged'"),
    )
    op.create_table(
        "quality_review",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("test", sa.Text(), nullable=False),
        sa.Column("analyzer", sa.Text(), nullable=False),
        sa.Column("failed", sa.BigInteger(), nullable=False),
        sa.Column("case_id", sa.BigInteger(), nullable=False),
        sa.Column("entry", sa.Integer(), nullable=False),
        sa.Column("specimen", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("listed", sa.BigInteger(), nullable=False),
        sa.Column("seen", sa.BigInteger(), nullable=True),
        sa.Column("seen_by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.ForeignKeyConstraint(
            ["case_id"],
            ["specimen_case.id"],
        ),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index(
        "quality_review_open",
        "quality_review",
        ["id"],
        unique=False,
        sqlite_where=sa.text("seen IS NULL"),
        postgresql_where=sa.text("seen IS NULL"),
    )
    op.create_index("decision_by_time", "decision", ["decided"], unique=False)
