"""Reads cases with all their decisions, newest first, a page at a time."""

from collections import defaultdict
from datetime import datetime

from sqlalchemy import bindparam, select

from verifier.assurance.usage import History
from verifier.facts.verdicts import Decision
from verifier.store import codec, schema
from verifier.store.base import Reading
from verifier.store.sql import Statement

_case, _result, _decision = schema.specimen_case, schema.result, schema.decision
NEWEST = (1 << 63) - 1

_CASES = Statement(
    select(_case.c.id, _case.c.record)
    .where(_case.c.id < bindparam("below"), _case.c.opened >= bindparam("since"))
    .order_by(_case.c.id.desc())
    .limit(bindparam("most"))
)
_DECISIONS = Statement(
    select(_decision.c.case_id, _decision.c.body)
    .where(_decision.c.case_id.between(bindparam("first"), bindparam("last")))
    .order_by(_decision.c.case_id, _decision.c.id)
)
_SETTLED = Statement(
    select(_result.c.case_id, _result.c.entry, _result.c.settled).where(
        _result.c.case_id.between(bindparam("first"), bindparam("last")),
        _result.c.settled.is_not(None),
    )
)


class UsageReads(Reading):
    """What can be asked about what rules did."""

    def histories(self, since: datetime, below: int = NEWEST, most: int = 500) -> list[History]:
        """Return the cases opened since an instant, newest first, with ids below `below`."""
        start = codec.micros(since)
        cases = self._all(_CASES, below=below, since=start, most=most)
        if not cases:
            return []
        ends = {"first": cases[-1][0], "last": cases[0][0]}
        decisions: dict[int, list[Decision]] = defaultdict(list)
        for case_id, body in self._all(_DECISIONS, **ends):
            decisions[case_id].append(codec.read_decision(body))
        settled: dict[int, dict[int, datetime]] = defaultdict(dict)
        for case_id, entry, at in self._all(_SETTLED, **ends):
            settled[case_id][entry] = codec.instant(at)
        return [
            History(case_id, codec.read_record(record), tuple(decisions[case_id]), settled[case_id])
            for case_id, record in cases
        ]
