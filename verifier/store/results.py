"""One row per result of a case: what earlier-result rules and the counters read."""

from collections.abc import Collection

from sqlalchemy import bindparam, insert, select, update

from verifier.facts.case import BY_RULES, Case, CaseRecord, Entry
from verifier.facts.preceding import analyzer_of, is_measured
from verifier.facts.verdicts import Decision
from verifier.store import codec, schema
from verifier.store.base import Writing
from verifier.store.rows import ResultRow
from verifier.store.severity import worst_reason
from verifier.store.sql import Statement

_result = schema.result

_INSERT = Statement(insert(_result))
_STATES = Statement(
    select(_result.c.entry, _result.c.state).where(_result.c.case_id == bindparam("case"))
)
_here = (_result.c.case_id == bindparam("case"), _result.c.entry == bindparam("place"))
_FACTS = (
    "patient", "collected", "test", "code", "value", "unit", "specimen", "specimen_type",
    "analyzer", "measured",
)  # fmt: skip
_REWRITE, _REWRITE_SETTLED = (
    Statement(update(_result).where(*_here).values({n: bindparam(f"new_{n}") for n in names}))
    for names in ((*_FACTS, "outcome", "reason"), _FACTS)
)
_MOVE = Statement(
    update(_result)
    .where(*_here)
    .values(
        state=bindparam("new_state"),
        settled=bindparam("new_settled"),
        by_rules=bindparam("new_by_rules"),
    )
)


def result_rows(
    case: Case, decision: Decision, asked: Collection[str] = ()
) -> tuple[ResultRow, ...]:
    """Return the rows to store for the live results of a judged case.

    `asked` are the tests of which some rule asks what was measured just before: only their rows
    say when, so that the others cost no index.
    """
    decided = {result.entry: result for result in decision.results}
    rows = []
    for result in case.results:
        verdict = decided.get(result.entry)
        worst = worst_reason(verdict.reasons) if verdict else None
        compared = result.test in asked and is_measured(result)
        rows.append(
            ResultRow(
                result.entry, result.test, result.code, result.value, result.unit,
                verdict.outcome if verdict else "", worst.rule if worst else "",
                analyzer_of(result), result.measured if compared else None,
            )
        )  # fmt: skip
    return tuple(rows)


class ResultWrites(Writing):
    """Keeps the result rows of a case in step with its record."""

    def _write_results(
        self,
        case_id: int,
        record: CaseRecord,
        results: tuple[ResultRow, ...],
        now: int,
        *,
        new: bool,
    ) -> None:
        states = {} if new else dict(self._all(_STATES, case=case_id))
        whose = _whose(record)
        fresh = []
        for row in results:
            entry = record.entries[row.entry]
            if row.entry in states:
                self._rewrite(case_id, row, entry, whose)
            else:
                fresh.append(_columns(case_id, row, entry, whose, now))
        if fresh:
            self._insert_many(_INSERT, fresh)
        for place, state in states.items():
            entry = record.entries[place]
            if entry.state != state:
                self._run(
                    _MOVE, case=case_id, place=place, new_state=entry.state,
                    new_settled=_settled(entry, now), new_by_rules=entry.settled_by == BY_RULES,
                )  # fmt: skip

    def _rewrite(
        self, case_id: int, row: ResultRow, entry: Entry, whose: tuple[str, int | None, str, str]
    ) -> None:
        """Write a row anew; of a settled result, why it was held before stays."""
        patient, collected, specimen, kind = whose
        self._run(
            _REWRITE if row.outcome else _REWRITE_SETTLED,
            case=case_id, place=row.entry, new_patient=patient,
            new_collected=_collected(entry, collected), new_test=row.test, new_code=row.code,
            new_value=codec.encode(row.value), new_unit=row.unit, new_specimen=specimen,
            new_specimen_type=kind, new_outcome=row.outcome, new_reason=row.reason,
            new_analyzer=row.analyzer, new_measured=codec.micros_or_none(row.measured),
        )  # fmt: skip


def _whose(record: CaseRecord) -> tuple[str, int | None, str, str]:
    """Return patient key, collection time, specimen key and type: the same for all results."""
    specimen = record.specimen
    collected = None if specimen.collected is None else codec.micros(specimen.collected.at)
    return record.patient.key if record.patient else "", collected, specimen.key, specimen.type


def _collected(entry: Entry, of_specimen: int | None) -> int | None:
    observed = entry.observation.observed
    if of_specimen is None and observed is not None:
        return codec.micros(observed.at)
    return of_specimen


def _settled(entry: Entry, now: int) -> int | None:
    return None if entry.state == "open" else now


def _columns(
    case_id: int, row: ResultRow, entry: Entry, whose: tuple[str, int | None, str, str], now: int
) -> tuple[object, ...]:
    patient, collected, specimen, kind = whose
    return (
        case_id, row.entry, patient, _collected(entry, collected), row.test, row.code,
        codec.encode(row.value), row.unit, specimen, kind, entry.state, row.outcome, row.reason,
        _settled(entry, now), entry.settled_by == BY_RULES, row.analyzer,
        codec.micros_or_none(row.measured),
    )  # fmt: skip
