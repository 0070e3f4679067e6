"""What the control rules find of the newest measurements of a test on an analyzer."""

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from fractions import Fraction

from msgspec.structs import replace

from verifier.quality.choices import Measurement, Violation
from verifier.quality.rules import violations
from verifier.quality.runs import Made, runs
from verifier.quality.standing import Judged
from verifier.settings import Quality
from verifier.store.qualityrows import ControlLevel, ControlResult, Verdict
from verifier.store.transaction import Reader, Transaction

_EVER = datetime(1970, 1, 1, tzinfo=UTC)
_Names = tuple[str, ...]


def judged(
    tx: Transaction,
    settings: Quality,
    levels: Sequence[ControlLevel],
    test: str,
    analyzer: str,
    most: int,
) -> tuple[list[Judged], list[datetime]]:
    """Return the newest `most` measurements with the rules they break, and corrective actions.

    Verdicts that changed are kept, but a rejection stands once it was made: neither a value that
    arrives late nor one that is left out undoes it, since patients' results were held because of
    it. A rejected measurement that was left out still counts as a failure, an accepted one vouches
    for nothing. What was taken as history gets its verdicts and is not returned, and no rule looks
    back into it from anything else.
    """
    known = {level.id: level for level in levels}
    results = tx.control_results(test, analyzer, most)
    acted = _acted(tx, results, test, analyzer)
    counted = [each for each in results if each.counts and each.level_id in known]
    broken = _broken([each for each in counted if not each.history], known, acted, settings)
    if past := {each.id for each in counted if each.history}:
        found = _broken(counted, known, acted, settings)
        broken |= {number: rules for number, rules in found.items() if number in past}
    points = [_point(tx, each, known, broken) for each in results]
    return [point for point in points if point], acted


def _point(
    tx: Transaction,
    result: ControlResult,
    known: Mapping[int, ControlLevel],
    broken: Mapping[int, tuple[_Names, _Names]],
) -> Judged | None:
    """Keep what was found of a measurement; None where nothing follows from it."""
    level = known.get(result.level_id or 0)
    if result.verdict == "not judged":
        if result.left_out or result.history:
            return None
        return Judged(level.name if level else "", result.at, unjudged=_doubt(result, level))
    if level is None:
        return None
    rejected, warned = broken.get(result.id, ((), ()))
    if result.verdict == "rejected" and not rejected:
        rejected, warned = result.rules, ()
    if result.counts:
        _keep(tx, result, rejected, warned)
    if result.history or not (result.counts or rejected):
        return None
    new = bool(rejected) and result.verdict != "rejected"
    vouches = level.ended is None
    return Judged(level.name, result.at, rejected, warned, new=new, vouches=vouches)


def _doubt(result: ControlResult, level: ControlLevel | None) -> str:
    return f"{level.name}: {result.note}" if level else result.note


def _acted(
    reader: Reader, results: Sequence[ControlResult], test: str, analyzer: str
) -> list[datetime]:
    since = results[0].at if results else _EVER
    return [action.at for action in reader.corrective_actions(test, analyzer, since)]


def _broken(
    results: Sequence[ControlResult],
    known: Mapping[int, ControlLevel],
    acted: Sequence[datetime],
    settings: Quality,
) -> dict[int, tuple[_Names, _Names]]:
    """Return the rejecting and the warning rules of every measurement, by its id."""
    found: dict[int, list[Violation]] = {}
    for violation in violations(_measurements(results, known, acted, settings), settings.choices()):
        found.setdefault(results[violation.at].id, []).append(violation)
    return {
        number: (
            tuple(each.rule for each in those if each.severity == "rejection"),
            tuple(each.rule for each in those if each.severity == "warning"),
        )
        for number, those in found.items()
    }


def _measurements(
    results: Sequence[ControlResult],
    known: Mapping[int, ControlLevel],
    acted: Sequence[datetime],
    settings: Quality,
) -> list[Measurement]:
    made = [Made(known[e.level_id or 0].name, e.at, e.run) for e in results]
    within = timedelta(minutes=settings.run_minutes)
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


def _keep(tx: Transaction, result: ControlResult, rejected: _Names, warned: _Names) -> None:
    verdict: Verdict = "rejected" if rejected else "warning" if warned else "accepted"
    rules = (*rejected, *warned)
    if (verdict, rules) != (result.verdict, result.rules):
        tx.set_control_verdict(replace(result, verdict=verdict, rules=rules))
