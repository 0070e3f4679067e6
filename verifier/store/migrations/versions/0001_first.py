"""The first schema: messages, cases, results, decisions, outbox, people, audit."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None

_KEY = sa.BigInteger().with_variant(sa.Integer(), "sqlite")


def upgrade() -> None:
    """Create every table."""
    op.create_table(
        "audit",
        sa.Column("writer", sa.Text(), nullable=False),
        sa.Column("seq", sa.BigInteger(), autoincrement=False, nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("what", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("salt", sa.LargeBinary(), nullable=False),
        sa.Column("detail", sa.LargeBinary(), nullable=True),
        sa.Column("leaf", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("writer", "seq"),
    )
    op.create_index("audit_by_subject", "audit", ["subject", "seq"], unique=False)
    op.create_table(
        "audit_head",
        sa.Column("writer", sa.Text(), nullable=False),
        sa.Column("origin", sa.Text(), nullable=False),
        sa.Column("size", sa.BigInteger(), nullable=False),
        sa.Column("frontier", sa.LargeBinary(), nullable=False),
        sa.Column("signed_size", sa.BigInteger(), nullable=False),
        sa.Column("signed_frontier", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("writer"),
    )
    op.create_table(
        "control_state",
        sa.Column("test", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("at", sa.BigInteger(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("test"),
    )
    op.create_table(
        "message",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("received", sa.BigInteger(), nullable=False),
        sa.Column("connection", sa.Text(), nullable=False),
        sa.Column("application", sa.Text(), nullable=False),
        sa.Column("facility", sa.Text(), nullable=False),
        sa.Column("control_id", sa.Text(), nullable=False),
        sa.Column("body_hash", sa.LargeBinary(), nullable=False),
        sa.Column("type", sa.Text(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("ack", sa.LargeBinary(), nullable=True),
        sa.Column("error", sa.Text(), nullable=False),
        sa.Column("note", sa.Text(), nullable=False),
        sa.Column("problem", sa.Boolean(), nullable=False),
        sa.Column("raw", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("message_by_connection", "message", ["connection", "received"], unique=False)
    op.create_index(
        "message_by_sender", "message", ["control_id", "application", "facility"], unique=False
    )
    op.create_index(
        "message_problem",
        "message",
        ["id"],
        unique=False,
        sqlite_where=sa.text("problem"),
        postgresql_where=sa.text("problem"),
    )
    op.create_table(
        "person",
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("role", sa.Text(), nullable=False),
        sa.Column("password", sa.Text(), nullable=False),
        sa.Column("locked", sa.Boolean(), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("locked_until", sa.BigInteger(), nullable=True),
        sa.Column("created", sa.BigInteger(), nullable=False),
        sa.PrimaryKeyConstraint("name"),
    )
    op.create_table(
        "specimen_case",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("specimen", sa.Text(), nullable=False),
        sa.Column("patient", sa.Text(), nullable=False),
        sa.Column("opened", sa.BigInteger(), nullable=False),
        sa.Column("updated", sa.BigInteger(), nullable=False),
        sa.Column("rule_set", sa.Text(), nullable=False),
        sa.Column("severity", sa.SmallInteger(), nullable=False),
        sa.Column("held", sa.Integer(), nullable=False),
        sa.Column("waiting", sa.Integer(), nullable=False),
        sa.Column("released", sa.Integer(), nullable=False),
        sa.Column("wait_until", sa.BigInteger(), nullable=True),
        sa.Column("record", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("case_by_patient", "specimen_case", ["patient", "id"], unique=False)
    op.create_index("case_by_specimen", "specimen_case", ["specimen", "id"], unique=False)
    op.create_index(
        "case_queue",
        "specimen_case",
        ["severity", "opened"],
        unique=False,
        sqlite_where=sa.text("held > 0"),
        postgresql_where=sa.text("held > 0"),
    )
    op.create_index(
        "case_waiting",
        "specimen_case",
        ["wait_until"],
        unique=False,
        sqlite_where=sa.text("wait_until IS NOT NULL"),
        postgresql_where=sa.text("wait_until IS NOT NULL"),
    )
    op.create_table(
        "suspension",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("scope", sa.Text(), nullable=False),
        sa.Column("subject", sa.Text(), nullable=False),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("who", sa.Text(), nullable=False),
        sa.Column("since", sa.BigInteger(), nullable=False),
        sa.Column("ended", sa.BigInteger(), nullable=True),
        sa.Column("ended_by", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index(
        "suspension_open",
        "suspension",
        ["id"],
        unique=False,
        sqlite_where=sa.text("ended IS NULL"),
        postgresql_where=sa.text("ended IS NULL"),
    )
    op.create_table(
        "decision",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("case_id", sa.BigInteger(), nullable=False),
        sa.Column("message_id", sa.BigInteger(), nullable=True),
        sa.Column("decided", sa.BigInteger(), nullable=False),
        sa.Column("rule_set", sa.Text(), nullable=False),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("facts", sa.LargeBinary(), nullable=True),
        sa.ForeignKeyConstraint(["case_id"], ["specimen_case.id"]),
        sa.ForeignKeyConstraint(["message_id"], ["message.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("decision_by_case", "decision", ["case_id", "id"], unique=False)
    op.create_table(
        "outgoing",
        sa.Column("id", _KEY, autoincrement=False, nullable=False),
        sa.Column("destination", sa.Text(), nullable=False),
        sa.Column("case_id", sa.BigInteger(), nullable=True),
        sa.Column("control_id", sa.Text(), nullable=False),
        sa.Column("created", sa.BigInteger(), nullable=False),
        sa.Column("status", sa.Text(), nullable=False),
        sa.Column("attempts", sa.Integer(), nullable=False),
        sa.Column("not_before", sa.BigInteger(), nullable=True),
        sa.Column("finished", sa.BigInteger(), nullable=True),
        sa.Column("answer", sa.Text(), nullable=False),
        sa.Column("payload", sa.LargeBinary(), nullable=False),
        sa.ForeignKeyConstraint(["case_id"], ["specimen_case.id"]),
        sa.PrimaryKeyConstraint("id"),
    )
    op.create_index("outgoing_by_case", "outgoing", ["case_id", "id"], unique=False)
    op.create_index(
        "outgoing_rejected",
        "outgoing",
        ["id"],
        unique=False,
        sqlite_where=sa.text("status = 'rejected'"),
        postgresql_where=sa.text("status = 'rejected'"),
    )
    op.create_index(
        "outgoing_waiting",
        "outgoing",
        ["destination", "id"],
        unique=False,
        sqlite_where=sa.text("status = 'waiting'"),
        postgresql_where=sa.text("status = 'waiting'"),
    )
    op.create_table(
        "result",
        sa.Column("case_id", sa.BigInteger(), nullable=False),
        sa.Column("entry", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("patient", sa.Text(), nullable=False),
        sa.Column("collected", sa.BigInteger(), nullable=True),
        sa.Column("test", sa.Text(), nullable=False),
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("value", sa.LargeBinary(), nullable=False),
        sa.Column("unit", sa.Text(), nullable=False),
        sa.Column("specimen", sa.Text(), nullable=False),
        sa.Column("specimen_type", sa.Text(), nullable=False),
        sa.Column("state", sa.Text(), nullable=False),
        sa.Column("outcome", sa.Text(), nullable=False),
        sa.Column("reason", sa.Text(), nullable=False),
        sa.Column("settled", sa.BigInteger(), nullable=True),
        sa.Column("by_rules", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["case_id"], ["specimen_case.id"]),
        sa.PrimaryKeyConstraint("case_id", "entry"),
        sqlite_with_rowid=False,
    )
    op.create_index("result_by_patient", "result", ["patient", "collected"], unique=False)
    op.create_index(
        "result_released",
        "result",
        ["by_rules", "settled"],
        unique=False,
        sqlite_where=sa.text("state = 'released'"),
        postgresql_where=sa.text("state = 'released'"),
    )
    op.create_table(
        "session",
        sa.Column("token", sa.LargeBinary(), nullable=False),
        sa.Column("person", sa.Text(), nullable=False),
        sa.Column("csrf", sa.Text(), nullable=False),
        sa.Column("created", sa.BigInteger(), nullable=False),
        sa.Column("expires", sa.BigInteger(), nullable=False),
        sa.ForeignKeyConstraint(["person"], ["person.name"]),
        sa.PrimaryKeyConstraint("token"),
    )
    op.create_index("session_by_person", "session", ["person"], unique=False)
