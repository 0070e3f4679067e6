"""Control results on their way in: stored, judged by the control rules, and what follows."""

from collections.abc import Sequence
from datetime import datetime

from verifier.facts.build import mapper_of
from verifier.facts.report import Observation, SpecimenReport
from verifier.facts.values import Number
from verifier.quality.standing import Standing, standing
from verifier.service.bracketing import NEVER_GOOD, Doubt, doubts, follow, judge_open_again
from verifier.service.judging import Judge
from verifier.service.levels import by_mark, in_use, of_level
from verifier.service.verdicts import judged
from verifier.store.ids import new_id
from verifier.store.qualityrows import ControlResult, StandingRow
from verifier.store.transaction import Reader, Transaction

LOOKED_AT = 200  # newest measurements of a test on an analyzer; the longest rule needs 12 a level
_HARMLESS = {"specimen-type", "analyzer-flag"}  # a control is of no patient's specimen type


class Controls:
    """Takes control results and keeps how each test stands on each analyzer."""

    def __init__(self, judge: Judge) -> None:
        self.judge = judge
        self.units = {name: test.unit for name, test in judge.program.catalogue.tests.items()}
        self._settings = judge.settings.quality
        self.own_least = self._settings.own_least

    def take(
        self, tx: Transaction, connection: str, message: int, report: SpecimenReport, now: datetime
    ) -> None:
        """Take a control specimen of a stored message. What can not be judged is kept and shown."""
        tx.claim_house()
        self.keep(tx, self._read(tx, connection, message, report, now), now)

    def _read(
        self, reader: Reader, connection: str, message: int, report: SpecimenReport, now: datetime
    ) -> list[ControlResult]:
        levels = reader.control_levels()
        lots = report.specimen.attributes.get("substance lots", "").split()
        found = []
        for observation in report.observations:
            if observation.interference:
                continue
            result = self._result(connection, message, report, observation, now)
            level = by_mark(levels, result, lots) if result.test else result.note
            found.append(of_level(reader, result, level, self.own_least))
        return found

    def _result(
        self,
        connection: str,
        message: int,
        report: SpecimenReport,
        observation: Observation,
        now: datetime,
    ) -> ControlResult:
        mapper = mapper_of(self.judge.program.catalogue, self.judge.maps, connection)
        reading = mapper.read(observation, report.specimen.type)
        faults = [fault.text for fault in reading.faults if fault.name not in _HARMLESS]
        number = reading.value.value if isinstance(reading.value, Number) else None
        if number is None and not faults:
            faults.append(f"{observation.text!r} is not a plain number")
        measured = observation.analysed or observation.observed or report.specimen.collected
        return ControlResult(
            id=new_id(),
            message_id=message,
            at=min(measured.at, now) if measured else now,
            arrived=now,
            test=reading.test,
            analyzer=observation.analyzer or connection,
            level_id=None,
            specimen=report.specimen.key,
            lot=report.specimen.attributes.get("lot", ""),
            value=None if faults else number,
            unit=reading.unit,
            note="; ".join(faults),
        )

    def keep(self, tx: Transaction, results: Sequence[ControlResult], now: datetime) -> int:
        """Store measurements and judge what they belong to; return how many were new."""
        tx.claim_house()
        new = [each for each in results if not tx.has_control_result(each)]
        for each in new:
            tx.add_control_result(each)
        places = dict.fromkeys((e.test, e.analyzer) for e in new if e.test)
        for test, analyzer in places:
            self.refresh(tx, test, analyzer, now, more=len(new))
        return len(new)

    def refresh(
        self,
        tx: Transaction,
        test: str,
        analyzer: str,
        now: datetime,
        *,
        more: int = 0,
    ) -> StandingRow | None:
        """Judge a test on an analyzer by all its controls; a failure holds what it puts in doubt.

        Args:
            tx: the transaction.
            test: the test.
            analyzer: the analyzer, empty for those no control was ever measured on.
            now: the present instant.
            more: how many measurements were just stored, to be looked at besides those before.
        """
        tx.claim_house()
        levels = tx.control_levels()
        names = sorted({level.name for level in in_use(levels, test, analyzer)})
        before = tx.standing(test, analyzer)
        if not names:
            tx.drop_standing(test, analyzer)
            return None
        most = LOOKED_AT + more
        points, acted = judged(tx, self._settings, levels, test, analyzer, most)
        seed = _seed(before, points[0].at if points else now)
        stands = standing(names, points, acted, self._settings.limits(), now, seed)
        row = _row(test, analyzer, stands, before, now)
        tx.set_standing(row)
        self._follow(tx, row, before, stands, now)
        return row

    def doubt(
        self, tx: Transaction, test: str, analyzer: str, who: str, since: datetime, now: datetime
    ) -> None:
        """Hold and list results since an instant a person names, as when a control had failed.

        The empty analyzer stands for every one.
        """
        follow(tx, self.judge, Doubt(test, analyzer, f"recorded by {who}", since, now), now)

    def _follow(
        self, tx: Transaction, row: StandingRow, before: StandingRow | None, stands: Standing,
        now: datetime,
    ) -> None:  # fmt: skip
        for doubt in doubts(tx, row.test, row.analyzer, stands, before):
            follow(tx, self.judge, doubt, now)
        if before and before.state == "out of control" and row.state != before.state:
            since = before.good or (before.since or now) - NEVER_GOOD
            judge_open_again(tx, self.judge, row.test, row.analyzer, since, now)


def _seed(before: StandingRow | None, first: datetime) -> Standing | None:
    """Return a failure that began before the measurements looked at."""
    if before is None or before.since is None or before.since >= first:
        return None
    return Standing(before.state, before.why, before.since, before.latest, before.good)


def _row(
    test: str, analyzer: str, stands: Standing, before: StandingRow | None, now: datetime
) -> StandingRow:
    """Return the row to store; the count of patients' results begins anew once every level has
    been accepted since it last began."""
    results = before.results if before else 0
    counted = before.counted_from if before else None
    if stands.vouched and (counted is None or stands.vouched > counted):
        results, counted = 0, now
    return StandingRow(
        test, analyzer, stands.state, stands.why, stands.since, stands.latest, stands.good,
        stands.due, results, counted,
    )  # fmt: skip
