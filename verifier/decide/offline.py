"""Judging messages one after the other with the history in memory: no store, no peers.

The same reading, merging and deciding as in the running service; only the keeping differs.
"""

from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Protocol

from msgspec import Struct
from msgspec.structs import replace

from verifier.decide.before import Before
from verifier.decide.decide import RuleSet, decide
from verifier.facts.build import build_case
from verifier.facts.case import BY_RULES, Case, CaseRecord, Control, Earlier
from verifier.facts.catalogue import ConnectionMap
from verifier.facts.extract import read_specimens
from verifier.facts.merge import identity_doubts, merge
from verifier.facts.preceding import asked, with_preceding
from verifier.facts.report import SpecimenReport
from verifier.facts.subjects import Patient
from verifier.facts.values import Between, Number
from verifier.facts.verdicts import Decision
from verifier.hl7.message import Message

BY_PERSON = "person"  # `Entry.settled_by` of a held result that somebody let go


class HistoricRuleSet(RuleSet, Protocol):
    """A rule set that says how far back it looks."""

    @property
    def longest_window(self) -> timedelta:
        """How old an earlier result may be and still count."""

    @property
    def needs_preceding(self) -> frozenset[str]:
        """The tests of which the value measured just before is asked for."""


class Judged(Struct, frozen=True):
    """One specimen of one message: what was known, and what was decided."""

    case: Case
    decision: Decision


class Offline:
    """Judges messages in the order they are given; a released result becomes an earlier one."""

    def __init__(
        self, program: HistoricRuleSet, connection: ConnectionMap, quality: Mapping[str, Control]
    ) -> None:
        self._program, self._connection, self._quality = program, connection, quality
        self._cases: dict[str, CaseRecord] = {}
        self._earlier: dict[str, dict[str, list[Earlier]]] = {}
        self._patients: dict[str, Patient] = {}
        self._measured, self._numbers = Before(), dict[str, int]()
        self._count = 0

    def judge(self, message: Message, now: datetime) -> list[Judged]:
        """Return the decisions on every specimen of one message; `now` is when it is judged."""
        self._count += 1
        reports = read_specimens(message, self._connection)
        return [self._specimen(report, now) for report in reports]

    def _specimen(self, report: SpecimenReport, now: datetime) -> Judged:
        key = report.specimen.key
        record = merge(
            self._cases.get(key) if key else None,  # two without identifier are never one case
            report,
            connection=self._connection.name,
            message=self._count,
            arrived=now,
        )
        return self._decided(self._checked_identity(record), now)

    def later(self, specimen: str, now: datetime) -> Judged:
        """Judge a specimen again, without a new message, as when a wait ends."""
        return self._decided(self._cases[specimen], now)

    def settle(self, judged: Judged, entries: frozenset[int]) -> None:
        """Keep held results as let go by a person: from now on they are earlier results.

        `entries` are places in the record; what has left already stays as it is.
        """
        key = judged.case.specimen.key
        if key and entries:
            self._keep(_marked(self._cases[key], entries, BY_PERSON), judged.case)

    def _decided(self, record: CaseRecord, now: datetime) -> Judged:
        key = record.specimen.key
        case = build_case(
            record,
            catalogue=self._program.catalogue,
            maps={self._connection.name: self._connection},
            earlier=self._before(record, now),
            quality=self._quality,
            suspensions=(),
            now=now,
        )
        case = self._compared(case)
        decision = decide(case, self._program)
        if key:
            self._keep(released(record, decision), case)
        return Judged(case, decision)

    def _compared(self, case: Case) -> Case:
        """Add what the analyzers measured just before, and keep what they measured now."""
        tests = self._program.needs_preceding
        if not tests:
            return case
        key, fresh = case.specimen.key, len(self._numbers) + 1
        number = self._numbers.setdefault(key or f"\0{fresh}", fresh)
        patient = case.patient.key if case.patient else ""
        found = self._measured.find(asked(case, tests), patient, number)
        self._measured.keep(case, tests, number)
        return with_preceding(case, found, self._program.catalogue)

    def _checked_identity(self, record: CaseRecord) -> CaseRecord:
        patient = record.patient
        if patient is None or not patient.key:
            return record
        doubts = identity_doubts(self._patients.get(patient.key), patient)
        self._patients[patient.key] = patient
        return replace(record, doubts=tuple(dict.fromkeys((*record.doubts, *doubts))))

    def _before(self, record: CaseRecord, now: datetime) -> dict[str, tuple[Earlier, ...]]:
        if record.patient is None or not record.patient.key:
            return {}
        until = record.specimen.collected.at if record.specimen.collected else now
        since = until - self._program.longest_window
        found = {}
        for test, items in self._earlier.get(record.patient.key, {}).items():
            fitting = [
                item
                for item in items
                if since <= item.collected < until and item.specimen != record.specimen.key
            ]
            found[test] = tuple(sorted(fitting, key=lambda item: item.collected, reverse=True))
        return found

    def _keep(self, record: CaseRecord, case: Case) -> None:
        """Keep a case, and what stands released of it in place of what was kept before."""
        self._cases[record.specimen.key] = record
        patient, specimen = case.patient, case.specimen
        if patient is None or not patient.key or specimen.collected is None:
            return
        history = self._earlier.setdefault(patient.key, {})
        for test, items in history.items():
            history[test] = [item for item in items if item.specimen != specimen.key]
        for result in case.results:
            stands = record.entries[result.entry].state == "released"
            if stands and isinstance(result.value, Number | Between):
                history.setdefault(result.test, []).append(
                    Earlier(
                        result.value,
                        result.unit,
                        specimen.collected.at,
                        specimen.key,
                        specimen.type,
                    )
                )


def released(record: CaseRecord, decision: Decision) -> CaseRecord:
    """Return the record with every result the decision releases marked as released."""
    free = frozenset(item.entry for item in decision.results if item.outcome == "release")
    return _marked(record, free, BY_RULES)


def _marked(record: CaseRecord, free: frozenset[int], by: str) -> CaseRecord:
    if not free:
        return record
    entries = tuple(
        replace(entry, state="released", settled_by=by)
        if at in free and entry.state == "open"
        else entry
        for at, entry in enumerate(record.entries)
    )
    return replace(record, entries=entries)
