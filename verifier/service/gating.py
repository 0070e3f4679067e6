"""What controls and people say of each test: the control state a result is judged with."""

from datetime import datetime, timedelta

from msgspec import Struct

from verifier.facts.case import Control, ControlSays
from verifier.facts.catalogue import Catalogue
from verifier.quality.standing import QualityState
from verifier.service.levels import expired
from verifier.settings import Quality
from verifier.store.qualityrows import Alarm, StandingRow
from verifier.store.rows import ControlRow
from verifier.store.transaction import Reader


class Gate:
    """Control states as known at one instant, read once and asked for every result.

    What a person recorded for a test outranks its controls, on the analyzer it was recorded for or
    on every one: ``out of control`` and ``unknown`` until taken back, ``in control`` for
    `valid_hours` or until a control fails after it.
    """

    def __init__(
        self, reader: Reader, catalogue: Catalogue, settings: Quality, now: datetime
    ) -> None:
        self._reader, self._settings, self._now = reader, settings, now
        self._tests = catalogue.tests
        self._oldest = now - timedelta(hours=settings.valid_hours)
        self._by_hand = {(row.test, row.analyzer): row for row in reader.controls()}
        self._find = reader.find_standing()
        self._alarms: dict[tuple[str, str], Alarm] = {}
        if settings.monitor_alarm == "hold":
            self._alarms = {(each.test, each.analyzer): each for each in reader.open_alarms()}

    def of_tests(self) -> dict[str, Control]:
        """Return the state of every test as far as people and settings say for every analyzer."""
        assumed: Control = "unknown" if self._holds else "in control"
        states = dict.fromkeys(self._tests, assumed)
        for row in self._by_hand.values():
            if not row.analyzer:
                states[row.test] = "unknown" if self._expired(row) else row.state
        return states

    def control_of(self, test: str, analyzer: str) -> ControlSays | None:
        """Return what counts on an analyzer; None where what is said for every analyzer does."""
        by_hand = self._by_hand.get((test, analyzer)) or self._by_hand.get((test, ""))
        alarm = self._alarms.get((test, analyzer))
        if alarm and not _spoke_after(by_hand, alarm.at):
            return ControlSays("out of control", f"patients' results: {alarm.text}")
        row = self.row(test, analyzer)
        if row and not self._outranked(row, by_hand):
            return self._said(row)
        if by_hand and (by_hand.analyzer or by_hand.state == "out of control"):
            return self._recorded(by_hand)
        if by_hand is None and self._holds:
            return ControlSays("unknown", "no control is defined for it")
        return None

    def row(self, test: str, analyzer: str) -> StandingRow | None:
        """Return how a test stands on an analyzer, or on those no control was measured on."""
        return self._find(test, analyzer) or self._find(test, "")

    @property
    def _holds(self) -> bool:
        return self._settings.without_state == "hold"

    def _recorded(self, row: ControlRow) -> ControlSays:
        if self._expired(row):
            return ControlSays("unknown", f"what {row.who} recorded has expired")
        said = f"recorded by {row.who}{f': {row.note}' if row.note else ''}"
        return ControlSays(row.state, said, failed=row.state == "out of control")

    def _expired(self, row: ControlRow) -> bool:
        return row.state == "in control" and row.at < self._oldest

    def _outranked(self, row: StandingRow, by_hand: ControlRow | None) -> bool:
        if by_hand is None or self._expired(by_hand):
            return False
        if by_hand.state != "in control" or row.state != "out of control":
            return True
        return row.latest is None or row.latest < by_hand.at

    def _said(self, row: StandingRow) -> ControlSays:
        if row.state == "out of control":
            return ControlSays("out of control", row.why, failed=True, good=row.good)
        if why := overdue(row, self._settings, self._now):
            return ControlSays("unknown", self._with_lots(row, why))
        return ControlSays("in control", row.why)

    def _with_lots(self, row: StandingRow, why: str) -> str:
        lots = expired(self._reader.control_levels(), row.test, row.analyzer, self._now)
        return "; ".join(filter(None, (why, lots)))


class Stands(Struct, frozen=True):
    """How a test stands on an analyzer now; `row` is what its controls said last."""

    row: StandingRow
    state: QualityState
    why: str


def stands_now(reader: Reader, settings: Quality, now: datetime) -> list[Stands]:
    """Return how every test with controls, or with an alarm that holds it, stands on each analyzer.

    What a person recorded is not in it: it stands beside the controls and may outrank them.
    """
    levels, said = reader.control_levels(), list[Stands]()
    by_hand = {(row.test, row.analyzer): row for row in reader.controls()}
    alarms = {(each.test, each.analyzer): each for each in reader.open_alarms()}
    rows = {(row.test, row.analyzer): row for row in reader.standings()}
    for place in alarms.keys() - rows.keys():
        rows[place] = StandingRow(*place, "no control defined")
    for (test, analyzer), row in rows.items():
        state, why = row.state, row.why
        if state != "out of control" and (late := overdue(row, settings, now)):
            state = state if state == "control not judged" else "overdue"
            why = "; ".join(filter(None, (late, expired(levels, test, analyzer, now))))
        alarm = alarms.get((test, analyzer))
        word = by_hand.get((test, analyzer)) or by_hand.get((test, ""))
        if alarm and settings.monitor_alarm == "hold" and not _spoke_after(word, alarm.at):
            beside = f"; its controls: {state}{f' ({why})' if why else ''}"
            state, why = "out of control", f"patients' results: {alarm.text}{beside}"
        said.append(Stands(row, state, why))
    return said


def overdue(row: StandingRow, settings: Quality, now: datetime) -> str:
    """Return why controls vouch for a test on an analyzer no more, empty where they do: they are
    overdue, or the newest could not be judged."""
    if row.state in ("overdue", "control not judged"):
        return row.why
    if row.due and row.due < now:
        return "its controls are overdue"
    if settings.overdue_results and row.results >= settings.overdue_results:
        return f"{row.results} patients' results since its controls"
    return ""


def _spoke_after(by_hand: ControlRow | None, at: datetime) -> bool:
    return by_hand is not None and by_hand.at >= at
