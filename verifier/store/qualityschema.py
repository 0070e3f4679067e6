"""The tables of quality control; numbers are kept as the exact text they were sent or typed as."""

from sqlalchemy import BigInteger, Boolean, Column, ForeignKey, Index, Integer, Table, Text, false

from verifier.store.schema import _id, _index_where, metadata

control_level = Table(
    "control_level",
    metadata,
    _id(),
    Column("test", Text, nullable=False),
    Column("analyzer", Text, nullable=False),
    Column("material", Text, nullable=False),
    Column("lot", Text, nullable=False),
    Column("level", Text, nullable=False),
    Column("mark", Text, nullable=False),
    Column("unit", Text, nullable=False),
    Column("mean", Text, nullable=False),
    Column("sd", Text, nullable=False),
    Column("expires", BigInteger),
    Column("basis", Text, nullable=False),
    Column("own_from", BigInteger),
    Column("added", BigInteger, nullable=False),
    Column("ended", BigInteger),
    Index("control_level_by_test", "test", "id"),
)

control_result = Table(
    "control_result",
    metadata,
    _id(),
    Column("message_id", BigInteger, ForeignKey("message.id")),
    Column("at", BigInteger, nullable=False),
    Column("arrived", BigInteger, nullable=False),
    Column("test", Text, nullable=False),
    Column("analyzer", Text, nullable=False),
    Column("level_id", BigInteger, ForeignKey("control_level.id")),
    Column("specimen", Text, nullable=False),
    Column("lot", Text, nullable=False),
    Column("value", Text, nullable=False),
    Column("unit", Text, nullable=False),
    Column("run", Text, nullable=False),
    Column("mean", Text, nullable=False),
    Column("sd", Text, nullable=False),
    Column("basis", Text, nullable=False),
    Column("verdict", Text, nullable=False),
    Column("rules", Text, nullable=False),
    Column("note", Text, nullable=False),
    Column("left_out", BigInteger),
    Column("left_out_by", Text),
    Column("left_out_why", Text),
    Column("history", Boolean, nullable=False, server_default=false()),
    Index("control_result_by_time", "test", "analyzer", "at"),
    Index("control_result_by_level", "level_id", "at"),
    _index_where("verdict = 'not judged'", "control_result_not_judged", "at"),
)

corrective_action = Table(
    "corrective_action",
    metadata,
    _id(),
    Column("test", Text, nullable=False),
    Column("analyzer", Text, nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("who", Text, nullable=False),
    Column("text", Text, nullable=False),
    Index("corrective_action_by_time", "test", "analyzer", "at"),
)

quality_standing = Table(
    "quality_standing",
    metadata,
    Column("test", Text, primary_key=True),
    Column("analyzer", Text, primary_key=True),
    Column("state", Text, nullable=False),
    Column("why", Text, nullable=False),
    Column("since", BigInteger),
    Column("latest", BigInteger),
    Column("good", BigInteger),
    Column("due", BigInteger),
    Column("results", Integer, nullable=False),
    Column("counted_from", BigInteger, nullable=False),
)

quality_review = Table(
    "quality_review",
    metadata,
    _id(),
    Column("test", Text, nullable=False),
    Column("analyzer", Text, nullable=False),
    Column("failed", BigInteger, nullable=False),
    Column("case_id", BigInteger, ForeignKey("specimen_case.id"), nullable=False),
    Column("entry", Integer, nullable=False),
    Column("specimen", Text, nullable=False),
    Column("state", Text, nullable=False),
    Column("listed", BigInteger, nullable=False),
    Column("seen", BigInteger),
    Column("seen_by", Text, nullable=False),
    Column("note", Text, nullable=False),
    Index("quality_review_by_case", "case_id"),
    _index_where("seen IS NULL", "quality_review_open", "id"),
)

patient_monitor = Table(
    "patient_monitor",
    metadata,
    Column("test", Text, primary_key=True),
    Column("analyzer", Text, primary_key=True),
    Column("plan", Text, nullable=False),
    Column("moving", Text, nullable=False),
    Column("statistic", Text, nullable=False),
    Column("alarm", Boolean, nullable=False),
    Column("at", BigInteger, nullable=False),
)

monitor_alarm = Table(
    "monitor_alarm",
    metadata,
    _id(),
    Column("test", Text, nullable=False),
    Column("analyzer", Text, nullable=False),
    Column("at", BigInteger, nullable=False),
    Column("text", Text, nullable=False),
    Column("seen", BigInteger),
    Column("seen_by", Text, nullable=False),
    Column("note", Text, nullable=False),
    _index_where("seen IS NULL", "monitor_alarm_open", "id"),
)
