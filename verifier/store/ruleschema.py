"""The tables of rule set versions; texts are kept exactly as they were written."""

from sqlalchemy import BigInteger, Column, ForeignKey, Index, LargeBinary, Table, Text

from verifier.store.schema import _id, metadata

rule_version = Table(
    "rule_version",
    metadata,
    _id(),
    Column("created", BigInteger, nullable=False),
    Column("author", Text, nullable=False),
    Column("authors", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("based_on", BigInteger, ForeignKey("rule_version.id")),
    Column("changed", BigInteger, nullable=False),
    Column("hash", Text, nullable=False),
    Column("files", Text, nullable=False),
    Column("parameters", Text, nullable=False),
    # Empty until it is checked, and again after a change.
    Column("identity", Text, nullable=False),
    Column("checked", BigInteger),
    Column("checked_by", Text, nullable=False),
    Column("checked_with", Text, nullable=False),
    Index("rule_version_by_hash", "hash", "id"),
)

rule_approval = Table(
    "rule_approval",
    metadata,
    _id(),
    Column("version", BigInteger, ForeignKey("rule_version.id"), nullable=False),
    Column("person", Text, nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("hash", Text, nullable=False),
    Column("replay", Text, nullable=False),
    Column("comment", Text, nullable=False),
    Index("rule_approval_by_version", "version", "id"),
)

rule_activation = Table(
    "rule_activation",
    metadata,
    _id(),
    Column("version", BigInteger, ForeignKey("rule_version.id"), nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("ordered", BigInteger, nullable=False),
    Column("person", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("kind", Text, nullable=False),
    Column("withdrawn", BigInteger),
    Column("withdrawn_by", Text, nullable=False),
)

rule_replay = Table(
    "rule_replay",
    metadata,
    _id(),
    Column("version", BigInteger, ForeignKey("rule_version.id"), nullable=False),
    Column("hash", Text, nullable=False),
    Column("against", BigInteger, ForeignKey("rule_version.id"), nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("digest", Text, nullable=False),
    Column("result", LargeBinary, nullable=False),
    Index("rule_replay_by_version", "version", "against", "id"),
)

# What the guarantees come out as depends on the texts and on the program that proves them.
rule_proof = Table(
    "rule_proof",
    metadata,
    _id(),
    Column("version", BigInteger, ForeignKey("rule_version.id"), nullable=False),
    Column("hash", Text, nullable=False),
    Column("program", Text, nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("person", Text, nullable=False),
    Column("result", LargeBinary, nullable=False),
    Index("rule_proof_by_version", "version", "id"),
)
