"""What people do with results: acts, requests, calls of critical results."""

import sqlalchemy as sa
from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None

_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")
_OPEN = sa.text("state = 'open'")


def upgrade() -> None:
    """Create the tables."""
    _acts()
    _requests()
    _calls()
    _attempts()


def _acts() -> None:
    op.create_table(
        "act",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("case_id", sa.BigInteger(), sa.ForeignKey("specimen_case.id"), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("undone", sa.BigInteger(), nullable=True),
        sa.Column("undone_by", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("act_by_case", "act", ["case_id", "id"])
    op.create_index("act_by_time", "act", ["at"])


def _requests() -> None:
    op.create_table(
        "work_request",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("case_id", sa.BigInteger(), sa.ForeignKey("specimen_case.id"), nullable=False),
        sa.Column("patient", sa.Text(), nullable=False),
        sa.Column("specimen", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("tests", sa.LargeBinary(), nullable=False),
        sa.Column("comment", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("destination", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("closed", sa.BigInteger(), nullable=True),
        sa.Column("closed_by", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("work_request_by_case", "work_request", ["case_id", "id"])
    op.create_index(
        "work_request_open", "work_request", ["id"], sqlite_where=_OPEN, postgresql_where=_OPEN
    )
    op.create_index(
        "work_request_open_of_patient",
        "work_request",
        ["patient"],
        sqlite_where=_OPEN,
        postgresql_where=_OPEN,
    )


def _calls() -> None:
    op.create_table(
        "critical_call",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("case_id", sa.BigInteger(), sa.ForeignKey("specimen_case.id"), nullable=False),
        sa.Column("entry", sa.Integer(), nullable=False),
        sa.Column("patient", sa.Text(), nullable=False),
        sa.Column("test", sa.Text(), nullable=False),
        sa.Column("title", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("flag", sa.Text(), nullable=False),
        sa.Column("rule", sa.Text(), nullable=False),
        sa.Column("whom", sa.Text(), nullable=False),
        sa.Column("opened", sa.BigInteger(), nullable=False),
        sa.Column("due", sa.BigInteger(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("closed", sa.BigInteger(), nullable=True),
        sa.Column("closed_by", sa.Text(), nullable=False),
        sa.Column("taken_by", sa.Text(), nullable=False),
        sa.Column("taken_role", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("critical_call_by_case", "critical_call", ["case_id", "id"])
    op.create_index("critical_call_by_patient", "critical_call", ["patient", "test", "closed"])
    op.create_index("critical_call_by_time", "critical_call", ["opened"])
    op.create_index(
        "critical_call_open", "critical_call", ["due"], sqlite_where=_OPEN, postgresql_where=_OPEN
    )


def _attempts() -> None:
    op.create_table(
        "call_attempt",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("case_id", sa.BigInteger(), sa.ForeignKey("specimen_case.id"), nullable=False),
        sa.Column("call_id", sa.BigInteger(), sa.ForeignKey("critical_call.id"), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("whom", sa.Text(), nullable=False),
        sa.Column("reached", sa.Boolean(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("call_attempt_by_call", "call_attempt", ["call_id", "id"])
    op.create_index("call_attempt_by_case", "call_attempt", ["case_id"])
