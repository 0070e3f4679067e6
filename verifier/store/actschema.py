"""The tables of what people do with results: acts, requests, calls of critical results."""

from sqlalchemy import (
    BigInteger,
    Boolean,
    Column,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    Table,
    Text,
)

from verifier.store.schema import _id, _index_where, metadata


def _of_case() -> Column[int]:
    return Column("case_id", BigInteger, ForeignKey("specimen_case.id"), nullable=False)


act = Table(
    "act",
    metadata,
    _id(),
    _of_case(),
    Column("what", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("body", LargeBinary, nullable=False),
    Column("undone", BigInteger),
    Column("undone_by", Text, nullable=False),
    Index("act_by_case", "case_id", "id"),
    Index("act_by_time", "at"),
)

work_request = Table(
    "work_request",
    metadata,
    _id(),
    _of_case(),
    Column("patient", Text, nullable=False),
    Column("specimen", Text, nullable=False),
    Column("what", Text, nullable=False),
    Column("tests", LargeBinary, nullable=False),
    Column("comment", Text, nullable=False),
    Column("who", Text, nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("destination", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("closed", BigInteger),
    Column("closed_by", Text, nullable=False),
    Column("note", Text, nullable=False),
    Index("work_request_by_case", "case_id", "id"),
    _index_where("state = 'open'", "work_request_open", "id"),
    _index_where("state = 'open'", "work_request_open_of_patient", "patient"),
)

critical_call = Table(
    "critical_call",
    metadata,
    _id(),
    _of_case(),
    Column("entry", Integer, nullable=False),
    Column("patient", Text, nullable=False),
    Column("test", Text, nullable=False),
    Column("title", Text, nullable=False),
    Column("value", Text, nullable=False),
    Column("unit", Text, nullable=False),
    Column("flag", Text, nullable=False),
    Column("rule", Text, nullable=False),
    Column("whom", Text, nullable=False),
    Column("opened", BigInteger, nullable=False),
    Column("due", BigInteger, nullable=False),
    Column("state", Text, nullable=False),
    Column("closed", BigInteger),
    Column("closed_by", Text, nullable=False),
    Column("taken_by", Text, nullable=False),
    Column("taken_role", Text, nullable=False),
    Column("note", Text, nullable=False),
    Index("critical_call_by_case", "case_id", "id"),
    Index("critical_call_by_patient", "patient", "test", "closed"),
    Index("critical_call_by_time", "opened"),
    _index_where("state = 'open'", "critical_call_open", "due"),
)

call_attempt = Table(
    "call_attempt",
    metadata,
    _id(),
    _of_case(),
    Column("call_id", BigInteger, ForeignKey("critical_call.id"), nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("who", Text, nullable=False),
    Column("whom", Text, nullable=False),
    Column("reached", Boolean, nullable=False),
    Column("note", Text, nullable=False),
    Index("call_attempt_by_call", "call_id", "id"),
    Index("call_attempt_by_case", "case_id"),
)
