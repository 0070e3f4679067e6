"""Control results on their way in: stored, judged by the control rules, and what follows."""

from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from fractions import Fraction

from msgspec.structs import replace

from verifier.facts.build import analyzer_of, mapper_of
from verifier.facts.case import CaseRecord
from verifier.facts.report import Observation, SpecimenReport
from verifier.facts.values import Number
from verifier.quality.choices import Measurement, Violation
from verifier.quality.rules import violations
from verifier.quality.runs import Made, runs
from verifier.quality.standing import Judged, Standing, standing
from verifier.service.judging import Judge
from verifier.service.levels import by_mark, in_use, of_level
from verifier.store.ids import new_id
from verifier.store.qualityrows import ControlLevel, ControlResult, Review, StandingRow, Verdict
from verifier.store.transaction import Reader, Transaction

LOOKED_AT = 200  # newest measurements of a test on an analyzer; the longest rule needs 12 a level
NEVER_GOOD = timedelta(days=7)  # how far back is reviewed when no control was ever good
_EVER = datetime(1970, 1, 1, tzinfo=UTC)
_HARMLESS = {"specimen-type", "analyzer-flag"}  # a control is of no patient's specimen type
_LISTED = 100  # specimens named in the audit entry of a failure


class Controls:
    """Takes control results and keeps how each test stands on each analyzer."""

    def __init__(self, judge: Judge) -> None:
        self._judge = judge
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
        mapper = mapper_of(self._judge.program.catalogue, self._judge.maps, connection)
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
        points, acted = self._judged(tx, levels, test, analyzer, LOOKED_AT + more)
        seed = _seed(before, points[0].at if points else now)
        stands = standing(names, points, acted, self._settings.limits(), now, seed)
        row = _row(test, analyzer, stands, before, now)
        tx.set_standing(row)
        if tell and (since := _in_doubt_since(tx, row, before, now)):
            self._failed(tx, row, since, now)
        return row

    def _judged(
        self, tx: Transaction, levels: Sequence[ControlLevel], test: str, analyzer: str, most: int
    ) -> tuple[list[Judged], list[datetime]]:
        """Return the judged measurements and the corrective actions; verdicts that changed are
        kept."""
        known = {level.id: level for level in levels}
        results = [
            each
            for each in tx.control_results(test, analyzer, most)
            if each.level_id in known and each.verdict != "not judged"
        ]
        since = results[0].at if results else _EVER
        acted = [action.at for action in tx.corrective_actions(test, analyzer, since)]
        measurements = self._measurements(results, known, acted)
        found: dict[int, list[Violation]] = {}
        for violation in violations(measurements, self._settings.choices()):
            found.setdefault(violation.at, []).append(violation)
        points = []
        for at, (result, measured) in enumerate(zip(results, measurements, strict=True)):
            rejected = tuple(v.rule for v in found.get(at, ()) if v.severity == "rejection")
            warned = tuple(v.rule for v in found.get(at, ()) if v.severity == "warning")
            points.append(Judged(measured.level, result.at, rejected, warned))
            verdict: Verdict = "rejected" if rejected else "warning" if warned else "accepted"
            if (verdict, (*rejected, *warned)) != (result.verdict, result.rules):
                tx.set_control_verdict(replace(result, verdict=verdict, rules=(*rejected, *warned)))
        return points, acted

    def _measurements(
        self,
        results: Sequence[ControlResult],
        known: dict[int, ControlLevel],
        acted: Sequence[datetime],
    ) -> list[Measurement]:
        made = [Made(known[e.level_id or 0].name, e.at, e.run) for e in results]
        within = timedelta(minutes=self._settings.run_minutes)
        return [
            Measurement(
                level=each.level,
                run=run,
                z=(Fraction(e.value or 0) - Fraction(e.mean or 0)) / Fraction(e.sd or 1),
                lot=e.lot,
                epoch=sum(at <= e.at for at in acted),
            )
            for e, each, run in zip(results, made, runs(made, within), strict=True)
        ]

    def _failed(self, tx: Transaction, row: StandingRow, since: datetime, now: datetime) -> None:
        """Hold what is open and list what has left since results are in doubt."""
        held: dict[int, None] = {}
        listed: list[Review] = []
        for case_id, place in tx.judged_since(row.test, since):
            stored = tx.case(case_id)
            if stored is None or not _concerns(stored.record, place, row.analyzer, since):
                continue
            state = "held" if stored.record.entries[place].state == "open" else "released"
            specimen = stored.record.specimen.key
            listed.append(
                Review(
                    new_id(), row.test, row.analyzer, row.since or now, case_id, place, specimen,
                    state, now,
                )
            )  # fmt: skip
            if state == "held":
                held[case_id] = None
        for review in listed:
            tx.add_review(review)
        for case_id in held:
            self._judge.judge_again(tx, case_id, now)
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
    vouched = (each.at for each in reader.controls() if each.test == row.test)
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
        "since the last good control": row.good is not None,
        "released": len(gone),
        "held": len(still),
        "specimens released": gone[:_LISTED],
        "specimens held": still[:_LISTED],
    }
    tx.audit("verifier", "a control failed", f"control:{row.test}", detail)


def _concerns(record: CaseRecord, place: int, analyzer: str, since: datetime) -> bool:
    entry = record.entries[place]
    live = entry.state in ("open", "released")
    return live and analyzer_of(entry) == analyzer and entry.arrived >= since


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
