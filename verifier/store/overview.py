"""What happened in a stretch of time, and what lies where now, counted by indexes alone.

However long the history is, a stretch reads its own part of it: `result_settled` holds all that is
counted, and of the specimens, whose records are large, a bounded number is drawn.
"""

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import bindparam, exists, func, select, text

from verifier.store import codec, schema
from verifier.store.base import Reading
from verifier.store.codec import instant, micros
from verifier.store.overviewrows import Course, Courses, Destined, HeldCount, SettledCount
from verifier.store.sql import Statement

MOST_DRAWN = 2_000  # specimens of which the course is read
MOST_AGES = 50_000  # of the queue, worst first

_case, _result, _decision = schema.specimen_case, schema.result, schema.decision
_out, _before = schema.outgoing, schema.decision.alias("before")

_SETTLED = Statement(
    select(_result.c.test, _result.c.state, _result.c.reason, func.count())
    .where(
        _result.c.by_rules == bindparam("by_rules"),
        _result.c.settled >= bindparam("since"),
        _result.c.settled < bindparam("until"),
    )
    .group_by(_result.c.test, _result.c.state, _result.c.reason)
)
_HELD = Statement(
    select(_result.c.test, _result.c.reason, func.count())
    .where(
        _result.c.case_id.in_(select(_case.c.id).where(text("held > 0"))),
        _result.c.state == "open",
        _result.c.outcome == "hold",
    )
    .group_by(_result.c.test, _result.c.reason)
)
_AGES = Statement(
    select(_case.c.severity, _case.c.opened)
    .where(text("held > 0"))
    .order_by(_case.c.severity.desc())
    .limit(bindparam("most"))
)
_of_stretch = (_decision.c.decided >= bindparam("since"), _decision.c.decided < bindparam("until"))
_JUDGED = Statement(select(func.count()).select_from(_decision).where(*_of_stretch))
_DRAWN = Statement(
    select(_decision.c.case_id)
    .where(
        *_of_stretch,
        _decision.c.id % bindparam("one_of") == 0,
        ~exists().where(_before.c.case_id == _decision.c.case_id, _before.c.id < _decision.c.id),
    )
    .limit(bindparam("most"))
)
_RECORD = Statement(select(_case.c.record).where(_case.c.id == bindparam("case")))
_BODIES = Statement(
    select(_decision.c.body)
    .where(_decision.c.case_id == bindparam("case"))
    .order_by(_decision.c.id)
)
_TIMES = Statement(
    select(_result.c.entry, _result.c.settled).where(
        _result.c.case_id == bindparam("case"), _result.c.settled.is_not(None)
    )
)
_NEXT_OUT = Statement(
    select(_out.c.created, _out.c.attempts, _out.c.answer)
    .where(_out.c.destination == bindparam("destination"), text("status = 'waiting'"))
    .order_by(_out.c.id)
    .limit(1)
)


# What a database says of itself, by dialect.
_VERSION = {"sqlite": "SELECT sqlite_version()", "postgresql": "SHOW server_version"}
_SIZE = {
    "sqlite": "SELECT page_count * page_size FROM pragma_page_count, pragma_page_size",
    "postgresql": "SELECT pg_database_size(current_database())",
}
_CALLED = {"sqlite": "SQLite", "postgresql": "PostgreSQL"}


class OverviewReads(Reading):
    """What can be asked about a stretch of time and about the present load."""

    def settled_counts(self, since: datetime, until: datetime) -> list[SettledCount]:
        """Return what was settled from `since` until before `until`."""
        ends = {"since": micros(since), "until": micros(until)}
        return [
            SettledCount(test, by_rules, state, reason, count)
            for by_rules in (True, False)
            for test, state, reason, count in self._all(_SETTLED, by_rules=by_rules, **ends)
        ]

    def held_counts(self) -> list[HeldCount]:
        """Return what is held now."""
        return [HeldCount(*row) for row in self._all(_HELD)]

    def queue_ages(self) -> list[tuple[int, datetime]]:
        """Return severity and opening time of the specimens with a held result."""
        return [(worst, instant(at)) for worst, at in self._all(_AGES, most=MOST_AGES)]

    def courses(self, since: datetime, until: datetime, most: int = MOST_DRAWN) -> Courses:
        """Return specimens first judged from `since` until before `until`, at most about `most`."""
        ends = {"since": micros(since), "until": micros(until)}
        count = self._one(_JUDGED, **ends)[0]
        one_of = -(-count // most) | 1  # odd: the lower bits of an id say little
        drawn = self._all(_DRAWN, one_of=one_of, most=2 * most, **ends)
        return Courses([self._course(case_id) for (case_id,) in drawn], one_of)

    def next_out(self, destinations: Sequence[str]) -> dict[str, Destined]:
        """Return what is next for each destination that has something waiting."""
        found = {name: self._one(_NEXT_OUT, destination=name) for name in destinations}
        return {
            name: Destined(instant(row[0]), row[1], row[2]) for name, row in found.items() if row
        }

    def database(self) -> tuple[str, int]:
        """Return kind and version of the database, and its size in bytes."""
        name = self._dialect.name
        self._cursor.execute(_VERSION[name])
        version = self._cursor.fetchone()[0]
        self._cursor.execute(_SIZE[name])
        return f"{_CALLED[name]} {version}", int(self._cursor.fetchone()[0])

    def _course(self, case_id: int) -> Course:
        decisions = tuple(codec.read_decision(body) for (body,) in self._all(_BODIES, case=case_id))
        settled = {entry: instant(at) for entry, at in self._all(_TIMES, case=case_id)}
        record = codec.read_record(self._one(_RECORD, case=case_id)[0])
        return Course(record, decisions, settled)
