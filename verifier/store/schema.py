"""The tables, in SQLAlchemy Core: one schema for SQLite and PostgreSQL.

Instants are BIGINT microseconds UTC, structures are JSON (`store.codec`), ids are made by
`store.ids`.
Results lie beside each other by patient and collection time, so that what one message writes
and what judging it reads touch few pages however many results there are.
"""

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    SmallInteger,
    Table,
    Text,
    text,
)

metadata = MetaData()
_KEY = BigInteger().with_variant(Integer(), "sqlite")  # SQLite: the key of the row itself


def _id(name: str = "id") -> Column[int]:
    return Column(name, _KEY, primary_key=True, autoincrement=False)


def _index_where(condition: str, name: str, *columns: str) -> Index:
    """Return an index over the rows where `condition` is true only."""
    where = text(condition)
    return Index(name, *columns, sqlite_where=where, postgresql_where=where)


message = Table(
    "message",
    metadata,
    _id(),
    Column("received", BigInteger, nullable=False),
    Column("connection", Text, nullable=False),
    Column("application", Text, nullable=False),
    Column("facility", Text, nullable=False),
    Column("control_id", Text, nullable=False),
    Column("body_hash", LargeBinary, nullable=False),
    Column("type", Text, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("ack", LargeBinary),
    Column("error", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("problem", Boolean, nullable=False),
    Column("raw", LargeBinary, nullable=False),
    Index("message_by_sender", "control_id", "application", "facility"),
    Index("message_by_connection", "connection", "received"),
    _index_where("problem", "message_problem", "id"),
)

specimen_case = Table(
    "specimen_case",
    metadata,
    _id(),
    Column("version", Integer, nullable=False),
    Column("specimen", Text, nullable=False),
    Column("patient", Text, nullable=False),
    Column("opened", BigInteger, nullable=False),
    Column("updated", BigInteger, nullable=False),
    Column("rule_set", Text, nullable=False),
    Column("severity", SmallInteger, nullable=False),
    Column("held", Integer, nullable=False),
    Column("waiting", Integer, nullable=False),
    Column("released", Integer, nullable=False),
    Column("wait_until", BigInteger),
    Column("record", LargeBinary, nullable=False),
    Column("ward", Text, nullable=False),
    Column("priority", Text, nullable=False),
    Index("case_by_specimen", "specimen", "id"),
    Index("case_by_patient", "patient", "id"),
    Index("case_by_time", "opened", "id"),
    # Holds all that the open queue is filtered and counted by.
    _index_where("held > 0", "case_queue", "severity", "opened", "priority", "ward"),
    _index_where("wait_until IS NOT NULL", "case_waiting", "wait_until"),
)

# What people are found by (`store.words`); their names stand nowhere else outside the records.
patient_word = Table(
    "patient_word",
    metadata,
    Column("word", Text().with_variant(Text(collation="C"), "postgresql"), primary_key=True),
    Column("patient", Text, primary_key=True),
    Index("patient_word_by_patient", "patient"),
    sqlite_with_rowid=False,
)

result = Table(
    "result",
    metadata,
    Column("case_id", BigInteger, ForeignKey("specimen_case.id"), primary_key=True),
    Column("entry", Integer, primary_key=True, autoincrement=False),
    Column("patient", Text, nullable=False),
    Column("collected", BigInteger),
    Column("test", Text, nullable=False),
    Column("code", Text, nullable=False),
    Column("value", LargeBinary, nullable=False),
    Column("unit", Text, nullable=False),
    Column("specimen", Text, nullable=False),
    Column("specimen_type", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("outcome", Text, nullable=False),
    Column("reason", Text, nullable=False),
    Column("settled", BigInteger),
    Column("by_rules", Boolean, nullable=False),
    # Set for those results only of which some rule asks what was measured just before them.
    Column("analyzer", Text),
    Column("measured", BigInteger),
    Index("result_by_patient", "patient", "collected"),
    # Holds all that is counted over a stretch of time, so that counting reads nothing else.
    _index_where(
        "settled IS NOT NULL",
        "result_settled",
        *("by_rules", "settled", "test", "state", "reason"),
    ),
    _index_where("measured IS NOT NULL", "result_by_analyzer", "analyzer", "test", "measured"),
    sqlite_with_rowid=False,  # SQLite: keep the rows in the primary key itself
)

patient_merge = Table(
    "patient_merge",
    metadata,
    _id(),
    Column("prior", Text, nullable=False),
    Column("surviving", Text, nullable=False),
    # Who the prior number stands for now; empty where it came to stand for a patient again.
    Column("leads_to", Text, nullable=False),
    Column("message_id", BigInteger, ForeignKey("message.id"), nullable=False),
    Column("at", BigInteger, nullable=False),
    Index("merge_by_prior", "prior", "id"),
    Index("merge_by_end", "leads_to"),
)

decision = Table(
    "decision",
    metadata,
    _id(),
    Column("case_id", BigInteger, ForeignKey("specimen_case.id"), nullable=False),
    Column("message_id", BigInteger, ForeignKey("message.id")),
    Column("decided", BigInteger, nullable=False),
    Column("rule_set", Text, nullable=False),
    Column("body", LargeBinary, nullable=False),
    Column("facts", LargeBinary),
    Column("version", BigInteger),  # of the rule set; empty where no version decided
    Index("decision_by_case", "case_id", "id"),
    Index("decision_by_time", "decided"),
)

outgoing = Table(
    "outgoing",
    metadata,
    _id(),
    Column("destination", Text, nullable=False),
    Column("case_id", BigInteger, ForeignKey("specimen_case.id")),
    Column("control_id", Text, nullable=False),
    Column("created", BigInteger, nullable=False),
    Column("status", Text, nullable=False),
    Column("attempts", Integer, nullable=False),
    Column("not_before", BigInteger),
    Column("finished", BigInteger),
    Column("answer", Text, nullable=False),
    Column("payload", LargeBinary, nullable=False),
    _index_where("status = 'waiting'", "outgoing_waiting", "destination", "id"),
    _index_where("status = 'rejected'", "outgoing_rejected", "id"),
    Index("outgoing_by_case", "case_id", "id"),
)

# Which node does alone what only one may do, until when by the clock of the database.
lease = Table(
    "lease",
    metadata,
    Column("name", Text, primary_key=True),
    Column("holder", Text, nullable=False),
    Column("until", BigInteger, nullable=False),
)

suspension = Table(
    "suspension",
    metadata,
    _id(),
    Column("scope", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("text", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("since", BigInteger, nullable=False),
    Column("ended", BigInteger),
    Column("ended_by", Text, nullable=False),
    _index_where("ended IS NULL", "suspension_open", "id"),
)

control_state = Table(
    "control_state",
    metadata,
    Column("test", Text, primary_key=True),
    Column("analyzer", Text, primary_key=True),
    Column("state", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("note", Text, nullable=False),
)

person = Table(
    "person",
    metadata,
    Column("name", Text, primary_key=True),
    Column("role", Text, nullable=False),
    Column("password", Text, nullable=False),
    Column("locked", Boolean, nullable=False),
    Column("failures", Integer, nullable=False),
    Column("locked_until", BigInteger),
    Column("created", BigInteger, nullable=False),
    Column("password_set", BigInteger),
    Column("ends", BigInteger),
    Column("subject", Text),  # who an identity provider says it is, for people who come from one
    Index("person_by_subject", "subject", unique=True),
)

session = Table(
    "session",
    metadata,
    Column("token", LargeBinary, primary_key=True),
    Column("person", Text, ForeignKey("person.name"), nullable=False),
    Column("csrf", Text, nullable=False),
    Column("created", BigInteger, nullable=False),
    Column("expires", BigInteger, nullable=False),
    Column("until", BigInteger, nullable=False),
    Column("seen", BigInteger, nullable=False),
    Column("step", Text, nullable=False),
    Column("agent", Text, nullable=False),
    Column("address", Text, nullable=False),
    Index("session_by_person", "person"),
)

# Secrets of authenticator programs. `pending` counts for nothing until a code of it was given;
# `last_step` is the newest time step whose code was used.
second_factor = Table(
    "second_factor",
    metadata,
    Column("person", Text, ForeignKey("person.name"), primary_key=True),
    Column("secret", LargeBinary),
    Column("pending", LargeBinary),
    Column("last_step", BigInteger, nullable=False),
)

recovery_code = Table(
    "recovery_code",
    metadata,
    Column("person", Text, ForeignKey("person.name"), primary_key=True),
    Column("hashed", LargeBinary, primary_key=True),
)

audit = Table(
    "audit",
    metadata,
    Column("writer", Text, primary_key=True),
    Column("seq", BigInteger, primary_key=True, autoincrement=False),
    Column("at", BigInteger, nullable=False),
    Column("who", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("subject", Text, nullable=False),
    Column("body", LargeBinary, nullable=False),
    Column("salt", LargeBinary, nullable=False),
    Column("detail", LargeBinary),
    Column("leaf", LargeBinary, nullable=False),
    Index("audit_by_subject", "subject", "seq"),
    _index_where("who <> 'verifier'", "audit_by_person", "who", "at"),
)

audit_head = Table(
    "audit_head",
    metadata,
    Column("writer", Text, primary_key=True),
    Column("origin", Text, nullable=False),
    Column("size", BigInteger, nullable=False),
    Column("frontier", LargeBinary, nullable=False),
    Column("signed_size", BigInteger, nullable=False),
    Column("signed_frontier", LargeBinary, nullable=False),
)
