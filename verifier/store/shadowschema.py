"""The tables of shadow runs."""

from sqlalchemy import BigInteger, Column, ForeignKey, Index, LargeBinary, Table, Text

from verifier.store.schema import _id, _index_where, metadata

shadow = Table(
    "shadow",
    metadata,
    _id(),
    Column("name", Text, nullable=False),
    Column("version", BigInteger),  # its number, where the candidate is one of the versions
    Column("files", Text, nullable=False),
    Column("parameters", Text, nullable=False),
    Column("identity", Text, nullable=False),
    Column("started", BigInteger, nullable=False),
    Column("started_by", Text, nullable=False),
    Column("first", BigInteger, nullable=False),  # decisions above this id are judged
    Column("last", BigInteger, nullable=False),  # and this is the last that was
    Column("judged", BigInteger, nullable=False),
    Column("differing", BigInteger, nullable=False),
    Column("failed", BigInteger, nullable=False),
    Column("trouble", Text, nullable=False),
    Column("ended", BigInteger),
    Column("ended_by", Text, nullable=False),
    _index_where("ended IS NULL", "shadow_running", "id"),
)

shadow_difference = Table(
    "shadow_difference",
    metadata,
    Column("shadow", BigInteger, ForeignKey("shadow.id"), primary_key=True),
    Column("case_id", BigInteger, primary_key=True, autoincrement=False),
    Column("decision", BigInteger, ForeignKey("decision.id"), primary_key=True),
    Column("body", LargeBinary),  # empty where the candidate failed
    Column("failure", Text, nullable=False),
    Index("shadow_difference_by_decision", "decision"),
)
