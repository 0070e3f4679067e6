"""Patients' results as they come in: counted since the last controls, and watched as a control."""

from datetime import datetime

import msgspec

from verifier.facts.build import analyzer_of
from verifier.facts.case import Case, CaseRecord
from verifier.facts.numbers import value_text
from verifier.facts.report import SpecimenReport
from verifier.facts.values import Number
from verifier.quality.moving import Moving, Plan, Reading, begun, step
from verifier.settings import Quality
from verifier.store.transaction import Transaction

_WORDS = {"mean": "moving mean", "median": "moving median", "ewma": "EWMA"}
_encode, _moving = msgspec.json.encode, msgspec.json.Decoder(Moving)
_plan = msgspec.json.Decoder(Plan).decode


class Watch:
    """Watches the tests that have a monitor in the settings, each analyzer for itself.

    A monitor called ``test on analyzer`` outranks that of the test.
    """

    def __init__(self, settings: Quality) -> None:
        self._plans = {test: monitor.plan() for test, monitor in settings.monitors.items()}
        self._counting = settings.overdue_results > 0

    def claims(self, report: SpecimenReport, connection: str) -> list[str]:
        """Return what is claimed for the results of a report that are counted or watched."""
        if not (self._counting or self._plans):
            return []
        analyzers = {each.analyzer or connection for each in report.observations}
        return [f"analyzer {name}" for name in sorted(analyzers)]

    def take(
        self, tx: Transaction, case: Case, record: CaseRecord, message: int, now: datetime
    ) -> None:
        """Take the results a message brought to a case."""
        if not (self._counting or self._plans):
            return
        for result in case.results:
            entry = record.entries[result.entry]
            if entry.message != message or not result.test:
                continue
            analyzer = analyzer_of(entry)
            if self._counting:
                tx.count_patient_result(result.test, analyzer)
            plan = self._plans.get(f"{result.test} on {analyzer}") or self._plans.get(result.test)
            if plan and result.status in ("F", "C") and isinstance(result.value, Number):
                _watch(tx, plan, result.test, analyzer, result.value, now)


def _watch(
    tx: Transaction, plan: Plan, test: str, analyzer: str, value: Number, now: datetime
) -> None:
    written, stored = _encode(plan).decode(), tx.moving(test, analyzer)
    fresh = stored is None or stored[0] != written  # another plan begins anew
    before = Moving() if stored is None or fresh else _moving.decode(stored[1])
    after, reading = step(plan, before, value.value)
    shown = "" if after.value is None else str(round(after.value, 4))
    tx.set_moving(
        test, analyzer, written, _encode(after).decode(), shown, alarm=after.alarmed, at=now
    )
    if reading and reading.alarm and not before.alarmed:
        said = _sentence(plan, reading)
        tx.add_alarm(test, analyzer, said, now)
        detail = {"analyzer": analyzer, "because": said}
        tx.audit("verifier", "patients' results left their limits", f"control:{test}", detail)


def begin_again(tx: Transaction, test: str, analyzer: str, now: datetime) -> None:
    """Let the statistic of a test on an analyzer begin again at its target."""
    stored = tx.moving(test, analyzer)
    if stored is None:
        return
    plan = _plan(stored[0])
    state = begun(plan)
    tx.set_moving(
        test, analyzer, stored[0], _encode(state).decode(), str(plan.target), alarm=False, at=now
    )


def _sentence(plan: Plan, reading: Reading) -> str:
    above = reading.high is not None and reading.statistic > reading.high
    limit = reading.high if above else reading.low
    assert limit is not None, "an alarm is beyond a limit"
    side = "above" if above else "below"
    shown = (value_text(Number(number), 4) for number in (reading.statistic, limit))
    statistic, edge = (text.rstrip("0").rstrip(".") for text in shown)
    return f"{_WORDS[plan.kind]} {statistic} is {side} {edge}"
