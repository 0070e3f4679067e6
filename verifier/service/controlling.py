"""Control results on their way in: stored, judged by the control rules, and what follows."""

from collections.abc import Sequence
from datetime import datetime, timedelta

from verifier.facts.build import analyzer_of, mapper_of
from verifier.facts.case import CaseRecord
from verifier.facts.report import Observation, SpecimenReport
from verifier.facts.values import Number
from verifier.quality.standing import Standing, standing
from verifier.service.judging import Judge
from verifier.service.levels import by_mark, in_use, of_level
from verifier.service.verdicts import judged
from verifier.store.ids import new_id
from verifier.store.qualityrows import ControlResult, Review, StandingRow
from verifier.store.transaction import Reader, Transaction

LOOKED_AT = 200  # newest measurements of a test on an analyzer; the longest rule needs 12 a level
NEVER_GOOD = timedelta(days=7)  # how far back is reviewed when no control was ever good
_HARMLESS = {"specimen-type", "analyzer-flag"}  # a control is of no patient's specimen type
_LISTED = 100  # specimens named in the audit entry of a failure


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
        places = dict.fromkeys((e.test, e.analyzer) for e in new if e.verdict != "not judged")
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
        tell: bool = True,
    ) -> StandingRow | None:
        """Judge a test on an analyzer by all its controls; a failure holds what it puts in doubt.

        Args:
            tx: the transaction.
            test: the test.
            analyzer: the analyzer, empty for those no control was ever measured on.
            now: the present instant.
            more: how many measurements were just stored, to be looked at besides those before.
            tell: False for history that nothing shall follow from.
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
        if tell and (since := _in_doubt_since(tx, row, before, now)):
            self._failed(tx, row, since, now)
        return row

    def doubt(
        self, tx: Transaction, test: str, analyzer: str, who: str, since: datetime, now: datetime
    ) -> None:
        """Hold and list results since an instant a person names, as when a control had failed.

        The empty analyzer stands for every one.
        """
        said = StandingRow(test, analyzer, "out of control", f"recorded by {who}", since=now)
        self._failed(tx, said, since, now)

    def _failed(self, tx: Transaction, row: StandingRow, since: datetime, now: datetime) -> None:
        """Hold what is open and list what has left since results are in doubt."""
        tx.claim_house()
        held: dict[int, None] = {}
        listed: list[Review] = []
        known = {(each.case_id, each.entry) for each in tx.open_reviews()}
        for case_id, place in tx.judged_since(row.test, since):
            if (case_id, place) in known:
                continue
            stored = tx.case(case_id)
            if stored is None or not _concerns(stored.record, place, row.analyzer, since):
                continue
            state = "held" if stored.record.entries[place].state == "open" else "released"
            specimen, where = stored.record.specimen.key, analyzer_of(stored.record.entries[place])
            listed.append(
                Review(
                    new_id(), row.test, where, row.since or now, case_id, place, specimen,
                    state, now,
                )
            )  # fmt: skip
            if state == "held":
                held[case_id] = None
        for review in listed:
            tx.add_review(review)
        for case_id in held:
            self.judge.judge_again(tx, case_id, now)
        _audit_failure(tx, row, since, listed)


def _in_doubt_since(
    reader: Reader, row: StandingRow, before: StandingRow | None, now: datetime
) -> datetime | None:
    """Return since when a failure puts results in doubt, None when nothing new failed.

    That is the last good control; for a failure after a person vouched for the test, their word.
    """
    if row.state != "out of control":
        return None
    if before is None or before.state != "out of control":
        return row.good or (row.since or now) - NEVER_GOOD
    if row.latest is None or row.latest == before.latest:
        return None
    vouched = (
        each.at
        for each in reader.controls()
        if each.test == row.test and each.analyzer in ("", row.analyzer)
    )
    return next((at for at in vouched if before.latest and at > before.latest), None)


def _audit_failure(
    tx: Transaction, row: StandingRow, since: datetime, listed: Sequence[Review]
) -> None:
    gone = [review.specimen for review in listed if review.state == "released"]
    still = [review.specimen for review in listed if review.state == "held"]
    detail = {
        "analyzer": row.analyzer,
        "because": row.why,
        "since": since.isoformat(),
        "last good control": row.good.isoformat() if row.good else "not known",
        "released": len(gone),
        "held": len(still),
        "specimens released": gone[:_LISTED],
        "specimens held": still[:_LISTED],
    }
    tx.audit("verifier", "a control failed", f"control:{row.test}", detail)


def _concerns(record: CaseRecord, place: int, analyzer: str, since: datetime) -> bool:
    entry = record.entries[place]
    live = entry.state in ("open", "released")
    return live and analyzer in ("", analyzer_of(entry)) and entry.arrived >= since


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
