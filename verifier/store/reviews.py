"""What people look into after a control failed or a moving statistic left its limits."""

from datetime import datetime
from decimal import Decimal
from typing import Any

from sqlalchemy import and_, bindparam, func, insert, select, text, update

from verifier.facts.values import Number
from verifier.store import qualityschema, schema
from verifier.store.base import Reading, Writing
from verifier.store.codec import instant, instant_or_none, micros, read_value
from verifier.store.ids import new_id
from verifier.store.qualityrows import Alarm, Monitor, Review
from verifier.store.sql import Statement

_review, _alarm = qualityschema.quality_review, qualityschema.monitor_alarm
_monitor = qualityschema.patient_monitor
_decision, _result = schema.decision, schema.result

_JUDGED_SINCE = Statement(
    select(_decision.c.case_id, _result.c.entry)
    .join_from(_decision, _result, _result.c.case_id == _decision.c.case_id)
    .where(_decision.c.decided >= bindparam("since"), _result.c.test == bindparam("which"))
)
_OPEN_SINCE = Statement(
    select(_decision.c.case_id)
    .join_from(_decision, _result, _result.c.case_id == _decision.c.case_id)
    .where(
        _decision.c.decided >= bindparam("since"),
        _result.c.test == bindparam("which"),
        _result.c.analyzer == bindparam("where"),
        text("result.state = 'open'"),
    )
)
_VALUES_SINCE = Statement(
    select(
        _decision.c.case_id, _result.c.entry, _result.c.value, _result.c.unit, _result.c.analyzer
    )
    .join_from(_decision, _result, _result.c.case_id == _decision.c.case_id)
    .where(
        _decision.c.decided >= bindparam("since"),
        _result.c.test == bindparam("which"),
        text("result.state = 'released'"),
    )
    .order_by(_decision.c.decided)
)
_REVIEWS = select(_review, _result.c.state).outerjoin_from(
    _review,
    _result,
    and_(_result.c.case_id == _review.c.case_id, _result.c.entry == _review.c.entry),
)
_OPEN_REVIEWS = Statement(
    _REVIEWS.where(text("quality_review.seen IS NULL")).order_by(_review.c.id)
)
_OF_CASE = Statement(_REVIEWS.where(_review.c.case_id == bindparam("which")).order_by(_review.c.id))
_ONE_REVIEW = Statement(_REVIEWS.where(_review.c.id == bindparam("number")))
_OPEN_COUNTS = [
    Statement(select(func.count(table.c.id)).where(text("seen IS NULL")))
    for table in (_review, _alarm)
]
_OPEN_ALARMS = Statement(select(_alarm).where(text("seen IS NULL")).order_by(_alarm.c.id))
_ADD_REVIEW = Statement(insert(_review))
_ADD_ALARM = Statement(insert(_alarm))
_SEEN = {
    name: Statement(
        update(table)
        .where(table.c.id == bindparam("number"), text("seen IS NULL"))
        .values(seen=bindparam("new_seen"), seen_by=bindparam("new_by"), note=bindparam("new_note"))
    )
    for name, table in (("review", _review), ("alarm", _alarm))
}
_MONITORS = Statement(select(_monitor).order_by(_monitor.c.test, _monitor.c.analyzer))
_where = (_monitor.c.test == bindparam("which"), _monitor.c.analyzer == bindparam("where"))
_MOVING = Statement(select(_monitor.c.plan, _monitor.c.moving).where(*_where))
_SET_MOVING = Statement(
    update(_monitor)
    .where(*_where)
    .values(
        {name: bindparam(f"new_{name}") for name in ("plan", "moving", "statistic", "alarm", "at")}
    )
)
_ADD_MOVING = Statement(insert(_monitor))


class ReviewReads(Reading):
    """What can be asked about reviews, alarms and monitors."""

    def judged_since(self, test: str, since: datetime) -> list[tuple[int, int]]:
        """Return case and entry of every result of a test in the cases judged since an instant."""
        rows = self._all(_JUDGED_SINCE, which=test, since=micros(since))
        return list(dict.fromkeys((case_id, entry) for case_id, entry in rows))

    def open_since(self, test: str, analyzer: str, since: datetime) -> list[int]:
        """Return the cases judged since an instant in which a result of a test is still open."""
        rows = self._all(_OPEN_SINCE, which=test, where=analyzer, since=micros(since))
        return list(dict.fromkeys(case_id for (case_id,) in rows))

    def released_numbers(self, test: str, unit: str, since: datetime) -> list[tuple[str, Decimal]]:
        """Return the released plain numbers of a test with their analyzers, empty where not known,
        in the order they were first judged."""
        found: dict[tuple[int, int], tuple[str, Decimal]] = {}
        rows = self._all(_VALUES_SINCE, which=test, since=micros(since))
        for case_id, entry, stored, of, analyzer in rows:
            value = read_value(stored)
            if of == unit and isinstance(value, Number):
                found.setdefault((case_id, entry), (analyzer or "", value.value))
        return list(found.values())

    def open_reviews(self) -> list[Review]:
        """Return the results nobody has looked into yet, oldest failure first."""
        return [_review_of(row) for row in self._all(_OPEN_REVIEWS)]

    def reviews_of_case(self, case_id: int) -> list[Review]:
        """Return what was ever listed of a case, also what was looked into, oldest first."""
        return [_review_of(row) for row in self._all(_OF_CASE, which=case_id)]

    def review(self, number: int) -> Review | None:
        """Return one listed result, None if there is none of that number."""
        row = self._one(_ONE_REVIEW, number=number)
        return None if row is None else _review_of(row)

    def to_look_into(self) -> int:
        """Return how many reviews and alarms nobody has looked into yet."""
        return sum(self._one(statement)[0] for statement in _OPEN_COUNTS)

    def open_alarms(self) -> list[Alarm]:
        """Return the alarms nobody has looked into yet, oldest first."""
        return [
            Alarm(number, test, analyzer, instant(at), said)
            for number, test, analyzer, at, said, *_ in self._all(_OPEN_ALARMS)
        ]

    def monitors(self) -> list[Monitor]:
        """Return where every moving statistic stands."""
        return [
            Monitor(test, analyzer, statistic, bool(alarm), instant(at))
            for test, analyzer, _, _, statistic, alarm, at in self._all(_MONITORS)
        ]

    def moving(self, test: str, analyzer: str) -> tuple[str, str] | None:
        """Return plan and state of a moving statistic as stored, None if there is none."""
        row = self._one(_MOVING, which=test, where=analyzer)
        return None if row is None else (row[0], row[1])


class ReviewWrites(ReviewReads, Writing):
    """What is written about reviews, alarms and monitors."""

    def add_review(self, review: Review) -> None:
        """List a result to look into."""
        self._insert(
            _ADD_REVIEW, review.id, review.test, review.analyzer, micros(review.failed),
            review.case_id, review.entry, review.specimen, review.state, micros(review.listed),
            None, "", "",
        )  # fmt: skip
        self._touch("quality")

    def add_alarm(self, test: str, analyzer: str, said: str, at: datetime) -> int:
        """Keep an alarm; return its id."""
        number = new_id()
        self._insert(_ADD_ALARM, number, test, analyzer, micros(at), said, None, "", "")
        self._touch("quality")
        return number

    def looked_into(self, what: str, number: int, who: str, note: str, at: datetime) -> bool:
        """Close a ``review`` or an ``alarm``; False when it was not open."""
        self._touch("quality")
        done = self._run(_SEEN[what], number=number, new_seen=micros(at), new_by=who, new_note=note)
        return done == 1

    def set_moving(
        self, test: str, analyzer: str, plan: str, moving: str, statistic: str, *,
        alarm: bool, at: datetime,
    ) -> None:  # fmt: skip
        """Keep where a moving statistic stands."""
        done = self._run(
            _SET_MOVING, which=test, where=analyzer, new_plan=plan, new_moving=moving,
            new_statistic=statistic, new_alarm=alarm, new_at=micros(at),
        )  # fmt: skip
        if not done:
            self._insert(_ADD_MOVING, test, analyzer, plan, moving, statistic, alarm, micros(at))


def _review_of(row: Any) -> Review:
    number, test, analyzer, failed, case_id, entry, specimen, state, listed, *seen = row
    at, who, note, now = seen
    return Review(
        number, test, analyzer, instant(failed), case_id, entry, specimen, state,
        instant(listed), instant_or_none(at), who, note, now or "",
    )  # fmt: skip
