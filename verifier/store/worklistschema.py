"""Who has taken a specimen of the work list, and who has it open: rows of the open queue only."""

from sqlalchemy import BigInteger, Column, ForeignKey, Table, Text

from verifier.store.schema import metadata

case_claim = Table(
    "case_claim",
    metadata,
    Column(
        "case_id", BigInteger, ForeignKey("specimen_case.id"), primary_key=True, autoincrement=False
    ),
    Column("person", Text, nullable=False),
    Column("since", BigInteger, nullable=False),
    Column("active", BigInteger, nullable=False),
)

case_presence = Table(
    "case_presence",
    metadata,
    Column(
        "case_id", BigInteger, ForeignKey("specimen_case.id"), primary_key=True, autoincrement=False
    ),
    Column("person", Text, primary_key=True),
    Column("seen", BigInteger, nullable=False),
)
