"""Which control level a measurement is of, and what it is judged by."""

from collections.abc import Iterable, Sequence
from datetime import datetime
from decimal import Decimal

from msgspec.structs import replace

from verifier.quality.figures import figures
from verifier.store.qualityrows import Basis, ControlLevel, ControlResult
from verifier.store.transaction import Reader


def in_use(levels: Iterable[ControlLevel], test: str, analyzer: str) -> list[ControlLevel]:
    """Return the levels that are measured for a test on an analyzer."""
    return [
        level
        for level in levels
        if level.test == test and level.ended is None and level.analyzer in ("", analyzer)
    ]


def named(
    levels: Iterable[ControlLevel], result: ControlResult, material: str, level: str
) -> ControlLevel | str:
    """Return the level a line of a file names, or why there is none in use.

    History may name a level that was taken out of use after the measurement.
    """
    known = list(levels)
    serving = in_use(known, result.test, result.analyzer)
    if result.history:
        serving += [each for each in known if _served(each, result)]
    wanted = (material, level, result.lot)
    fitting = [each for each in serving if (each.material, each.level, each.lot) == wanted]
    if fitting:
        return next((each for each in fitting if each.analyzer), fitting[0])
    what = f"{material} {level} lot {result.lot}"
    gone = any((each.material, each.level, each.lot) == wanted for each in known if each.ended)
    return f"{what} is {'out of use' if gone else 'not defined'} for {result.test}"


def _served(level: ControlLevel, result: ControlResult) -> bool:
    here = level.test == result.test and level.analyzer in ("", result.analyzer)
    return here and level.ended is not None and result.at < level.ended


def expired(levels: Iterable[ControlLevel], test: str, analyzer: str, now: datetime) -> str:
    """Return which lots in use have expired, as a sentence, empty when none has."""
    used = in_use(levels, test, analyzer)
    fit = {level.name for level in used if level.expires is None or level.expires >= now}
    return "; ".join(
        f"lot {level.lot} of {level.name} expired on {level.expires:%Y-%m-%d}"
        for level in used
        if level.expires and level.name not in fit
    )


def by_mark(
    levels: Iterable[ControlLevel], result: ControlResult, lots: Sequence[str] = ()
) -> ControlLevel | str:
    """Return the level whose mark the specimen id begins with, or why there is not just one.

    The lot the sender names must fit. `lots` are those of everything used for the measurement;
    they help only where the mark leaves several.
    """
    fitting = [
        level
        for level in in_use(levels, result.test, result.analyzer)
        if level.mark and result.specimen.startswith(level.mark)
    ]
    if not fitting:
        return f"no control level of {result.test} is marked with the start of {result.specimen!r}"
    if result.lot:
        fitting = [level for level in fitting if level.lot == result.lot]
        if not fitting:
            return f"lot {result.lot} is not defined for {result.specimen!r}"
    return _only(fitting, lots, result.specimen)


def _only(fitting: list[ControlLevel], lots: Sequence[str], specimen: str) -> ControlLevel | str:
    longest = max(len(level.mark) for level in fitting)
    fitting = [level for level in fitting if len(level.mark) == longest]
    own = [level for level in fitting if level.analyzer]
    fitting = own or fitting
    named = [level for level in fitting if level.lot in lots]
    fitting = named or fitting
    if len(fitting) > 1:
        found = ", ".join(sorted(f"{level.name} lot {level.lot}" for level in fitting))
        return f"{specimen!r} fits several control levels: {found}"
    return fitting[0]


def judged_by(
    reader: Reader, level: ControlLevel, analyzer: str, own_least: int, before: ControlResult
) -> tuple[Decimal, Decimal, Basis]:
    """Return mean, SD and basis a measurement is judged by: the insert's, or the laboratory's own.

    Own figures are those of the accepted measurements on the same analyzer since the chosen point,
    all before this one.
    """
    if level.basis == "own" and level.own_from is not None:
        values = [
            each.value
            for each in reader.results_of_level(level.id, level.own_from)
            if each.value is not None
            and each.counts
            and each.analyzer == analyzer
            and each.verdict != "rejected"
            and each.at < before.at
        ]
        own = figures(values)
        if own.n >= own_least and own.mean is not None and own.sd:
            return own.mean, own.sd, "own"
    return level.mean, level.sd, "insert"


def of_level(
    reader: Reader, result: ControlResult, level: ControlLevel | str, own_least: int
) -> ControlResult:
    """Return a measurement with its level and what it is judged by, or why it can not be judged."""
    why = result.note
    if isinstance(level, str):
        return replace(result, note=why or level)
    if not why and result.value is None:
        why = "it has no value"
    if not why and level.expires and level.expires < result.at:
        why = f"lot {level.lot} of {level.name} expired on {level.expires:%Y-%m-%d}"
    result = replace(result, level_id=level.id, lot=level.lot)
    if why:
        return replace(result, note=why)
    mean, sd, basis = judged_by(reader, level, result.analyzer, own_least, result)
    return replace(result, mean=mean, sd=sd, basis=basis, verdict="accepted")
