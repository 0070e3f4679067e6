"""Controls made ready to be shown: standings, charts, monthly figures."""

import csv
import io
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from markupsafe import Markup

from verifier.facts.catalogue import TestDefinition
from verifier.quality.choices import MEANINGS, RuleName
from verifier.quality.figures import Figures, figures
from verifier.quality.standing import QualityState
from verifier.service.gating import stands_now
from verifier.settings import Quality
from verifier.store.qualityrows import ControlLevel, ControlResult, CorrectiveAction, StandingRow
from verifier.store.transaction import Reader
from verifier.web.controlchart import Mark, chart

MARKS = {
    "in control": "✓", "warning": "△", "out of control": "✕", "control not judged": "?",
    "overdue": "!", "no control defined": "–",
}  # fmt: skip
COLUMNS = (
    "month", "test", "analyzer", "material", "level", "lot", "unit", "n", "rejected", "left_out",
    "target", "mean", "sd", "cv_percent", "bias_percent", "sigma",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Shown:
    """How a test stands on an analyzer now, with the levels that are measured there."""

    row: StandingRow
    state: QualityState
    why: str
    levels: Sequence[ControlLevel]


@dataclass(frozen=True, slots=True)
class MonthLine:
    """The figures of one level on one analyzer in one month.

    Rejected values and those a person left out are counted and are not in the figures.
    """

    level: ControlLevel
    analyzer: str
    figures: Figures
    rejected: int
    left_out: int
    results: Sequence[ControlResult]


def standings(reader: Reader, settings: Quality, now: datetime) -> list[Shown]:
    """Return how every test with controls stands, the worst first.

    Last comes what only would count on an analyzer nobody has sent controls of yet.
    """
    levels = [level for level in reader.control_levels() if level.ended is None]
    found = []
    for each in stands_now(reader, settings, now):
        row = each.row
        own = [e for e in levels if e.test == row.test and e.analyzer in ("", row.analyzer)]
        found.append(Shown(row, each.state, each.why, own))
    order = [
        "out of control", "control not judged", "overdue", "no control defined", "warning",
        "in control",
    ]  # fmt: skip
    measured = {each.row.test for each in found if each.row.analyzer}

    def rank(each: Shown) -> tuple[bool, int, str, str]:
        spare = not each.row.analyzer and each.row.test in measured
        return spare, order.index(each.state), each.row.test, each.row.analyzer

    return sorted(found, key=rank)


def rules_in_use(settings: Quality) -> list[str]:
    """Return the control rules in use and what is chosen where their definitions leave it open."""

    def named(rules: Iterable[RuleName]) -> str:
        return "; ".join(f"{rule} ({MEANINGS[rule]})" for rule in rules) or "no rule"

    said = [
        f"warns: {named(settings.warn)}",
        f"rejects: {named(settings.reject)}",
        f"a value exactly on a limit is {'beyond' if settings.inclusive else 'not beyond'} it; one "
        "exactly on the mean is on neither side",
    ]
    if "R-4s" in (*settings.warn, *settings.reject):
        apart = "the highest and the lowest value of a run are more than 4 SD apart"
        sides = "one value of a run is beyond +2 SD and another beyond −2 SD"
        said.append(f"R-4s: {apart if settings.spread == 'range' else sides}")
    if settings.across:
        said.append(f"over all levels together as well: {', '.join(settings.across)}")
    if settings.after_warning:
        said.append("rejects only in a run with a value beyond 2 SD")
    said.append("no rule looks back over a corrective action or into another lot")
    return said


def undefined(reader: Reader, tests: Iterable[TestDefinition]) -> list[TestDefinition]:
    """Return the tests that are to be controlled and have no level in use on any analyzer."""
    defined = {level.test for level in reader.control_levels() if level.ended is None}
    wanted = (test for test in tests if test.controlled and test.kind != "index")
    return [test for test in wanted if test.name not in defined]


def shown(number: Decimal | None, digits: int) -> str:
    """Return a number rounded for reading, a dash for none."""
    return "–" if number is None else format(round(number, digits), "f")


def digits_of(level: ControlLevel) -> int:
    """Return how many decimals figures of a level are read with: one more than the insert's."""
    exponents = [number.as_tuple().exponent for number in (level.mean, level.sd)]
    return 1 + max(0, *(-e for e in exponents if isinstance(e, int)))


def drawn(
    level: ControlLevel,
    results: Sequence[ControlResult],
    actions: Sequence[CorrectiveAction],
    against: tuple[Decimal, Decimal],
    zone: ZoneInfo,
) -> Markup:
    """Return the chart of a level against a mean and an SD."""
    mean, sd = against
    digits = digits_of(level)
    marks, before = [], None
    for each in results:
        if each.value is None or each.verdict == "not judged":
            continue
        verdict = "left-out" if each.left_out else each.verdict
        acted = before is not None and any(before < a.at <= each.at for a in actions)
        rules = f": {', '.join(each.rules)}" if each.rules else ""
        at = each.at.astimezone(zone)
        out = f", left out: {each.left_out_why}" if each.left_out else ""
        text = f"{at:%Y-%m-%d %H:%M}  {each.value} {each.unit}, {each.verdict}{rules}{out}"
        z = float((each.value - mean) / sd)
        marks.append(Mark(at, z, verdict, each.rules, text, acted))
        before = each.at
    scale = [shown(mean + sd * step, digits) for step in range(-3, 4)]
    bad = sum(mark.verdict == "rejected" for mark in marks)
    label = f"{level.name} lot {level.lot}: {len(marks)} measurements, {bad} rejected"
    return chart(marks, scale, label)


def own_figures(results: Sequence[ControlResult], level: ControlLevel) -> Figures:
    """Return the figures of what was accepted since the chosen point, or of all there is."""
    since = level.own_from
    values = [
        each.value
        for each in results
        if each.counts and each.value is not None and each.verdict != "rejected"
        and (since is None or each.at >= since)
    ]  # fmt: skip
    return figures(values, level.mean)


def month_of(text: str, zone: ZoneInfo, now: datetime) -> tuple[datetime, datetime]:
    """Return when a month such as ``2026-03`` begins and ends; this one for anything else."""
    try:
        begin = datetime.strptime(text, "%Y-%m").replace(tzinfo=zone)
    except ValueError:
        local = now.astimezone(zone)
        begin = local.replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    end = (begin + timedelta(days=32)).replace(day=1)
    return begin, end


def month(
    reader: Reader, begin: datetime, end: datetime, allowable: Mapping[str, Decimal]
) -> list[MonthLine]:
    """Return the figures of every level measured between two instants, by test and analyzer."""
    found = []
    for level in reader.control_levels():
        on: dict[str, list[ControlResult]] = {}
        for each in reader.results_of_level(level.id, begin):
            if each.at < end and each.value is not None and each.verdict != "not judged":
                on.setdefault(each.analyzer, []).append(each)
        for analyzer, results in on.items():
            counted = [each for each in results if each.counts]
            kept = [e.value for e in counted if e.verdict != "rejected" and e.value is not None]
            told = figures(kept, level.mean, allowable.get(level.test))
            rejected, out = len(counted) - len(kept), len(results) - len(counted)
            found.append(MonthLine(level, analyzer, told, rejected, out, results))
    return sorted(found, key=lambda each: (each.level.test, each.analyzer, each.level.name))


def month_csv(lines: Sequence[MonthLine], begin: datetime) -> str:
    """Return monthly figures as CSV, unrounded beyond six decimals."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for line in lines:
        level, told = line.level, line.figures
        numbers = (told.mean, told.sd, told.cv, told.bias, told.sigma)
        writer.writerow(
            [
                f"{begin:%Y-%m}", level.test, plain(line.analyzer), plain(level.material),
                plain(level.level), plain(level.lot), level.unit, told.n,
                line.rejected, line.left_out, level.mean,
                *("" if n is None else format(round(n, 6), "f") for n in numbers),
            ]
        )  # fmt: skip
    return out.getvalue()


def plain(text: str) -> str:
    """Return a cell no spreadsheet takes for a formula, whoever named the material."""
    return f"'{text}" if text[:1] in "=+-@" and text else text
