"""Stored history read as a stream: which specimens were judged when, from what, and how."""

import zlib
from array import array
from collections.abc import Iterator, Sequence
from datetime import datetime
from itertools import groupby

from msgspec import Struct
from sqlalchemy import bindparam, func, select

from verifier.errors import StoreError
from verifier.facts.case import Case, CaseRecord
from verifier.facts.verdicts import Decision
from verifier.store import codec, schema
from verifier.store.base import Reading
from verifier.store.codec import micros
from verifier.store.sql import Statement

_decision, _case = schema.decision, schema.specimen_case
CASES_AT_ONCE = 64
_BEGINNING, _END = -(1 << 63), (1 << 63) - 1

_within = (_decision.c.decided >= bindparam("since"), _decision.c.decided < bindparam("until"))
_JUDGED = Statement(
    select(_decision.c.case_id, func.count())
    .where(*_within)
    .group_by(_decision.c.case_id)
    .order_by(_decision.c.case_id)
)
_EXTENT = Statement(select(func.min(_decision.c.decided), func.max(_decision.c.decided)))
_names = [f"case{number}" for number in range(CASES_AT_ONCE)]
_PAST = Statement(
    select(
        _decision.c.case_id, _decision.c.id, _decision.c.rule_set, _decision.c.body,
        _decision.c.facts,
    )
    .where(_decision.c.case_id.in_([bindparam(name) for name in _names]), *_within)
    .order_by(_decision.c.case_id, _decision.c.id)
)  # fmt: skip
_RECORD = Statement(select(_case.c.record).where(_case.c.id == bindparam("case")))


class PastDecision(Struct, frozen=True):
    """A stored decision, not yet unpacked: many are never looked into.

    `body` is the decision as `codec.pack` packs it, `facts` the case it was made from or None.
    """

    case_id: int
    id: int
    rule_set: str
    body: bytes
    facts: bytes | None

    def decision(self) -> Decision:
        """Return the decision as made."""
        return codec.read_decision(self.body)

    def case(self) -> Case | None:
        """Return the facts it was made from, None when they were not stored.

        Raises:
            StoreError: what was stored can not be read.
        """
        if self.facts is None:
            return None
        try:
            return codec.read_case(self.facts)
        except (ValueError, zlib.error) as error:
            raise StoreError(f"the facts of decision {self.id} can not be read") from error

    def says(self, decision: Decision) -> bool:
        """Whether a decision is this one to the last byte."""
        return codec.same_bytes(decision, self.body)


class PastReads(Reading):
    """What a replay reads."""

    def judged_between(self) -> tuple[datetime, datetime] | None:
        """Return when the oldest and the newest stored decision were made, None without any."""
        oldest, newest = self._all(_EXTENT)[0]
        return None if oldest is None else (codec.instant(oldest), codec.instant(newest))

    def judged_cases(
        self, since: datetime | None, until: datetime | None
    ) -> tuple["array[int]", int]:
        """Return the ids of the cases judged in a stretch, ascending, and how many decisions."""
        cases, decisions = array("q"), 0
        self._run(_JUDGED, **_bounds(since, until))
        for case_id, count in iter(self._cursor.fetchone, None):  # never all rows at once
            cases.append(case_id)
            decisions += count
        return cases, decisions

    def past(
        self, cases: Sequence[int], since: datetime | None, until: datetime | None
    ) -> Iterator[tuple[int, list[PastDecision]]]:
        """Yield for each of at most `CASES_AT_ONCE` cases its decisions in a stretch, oldest first.

        Raises:
            ValueError: more cases than that.
        """
        if len(cases) > CASES_AT_ONCE:
            raise ValueError(f"at most {CASES_AT_ONCE} cases at once")
        asked = {name: cases[min(n, len(cases) - 1)] for n, name in enumerate(_names)}
        rows = self._all(_PAST, **asked, **_bounds(since, until)) if cases else []
        for case_id, found in groupby(rows, key=lambda row: row[0]):
            yield case_id, [PastDecision(*row) for row in found]

    def record(self, case_id: int) -> CaseRecord | None:
        """Return a case as it is known now, without its decision."""
        row = self._one(_RECORD, case=case_id)
        return None if row is None else codec.read_record(row[0])


def _bounds(since: datetime | None, until: datetime | None) -> dict[str, int]:
    return {
        "since": _BEGINNING if since is None else micros(since),
        "until": _END if until is None else micros(until),
    }
