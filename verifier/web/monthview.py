"""Figures of controls: those of a level on an analyzer, and those of every level in a month."""

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

from verifier.quality.figures import Figures, figures
from verifier.settings import Quality
from verifier.store.qualityrows import ControlLevel, ControlResult
from verifier.store.transaction import Reader
from verifier.web.qualitynumbers import shown

COLUMNS = (
    "month", "test", "analyzer", "material", "level", "lot", "unit", "values", "n", "rejected",
    "left_out", "target", "mean", "sd", "cv_percent", "bias_percent", "sigma",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Both:
    """Figures of the accepted values and, where any was rejected, of all of them.

    A method that has moved shows in all values: the rules that find it reject true values.
    """

    accepted: Figures
    everything: Figures | None

    def __iter__(self) -> Iterator[tuple[str, Figures]]:
        yield "accepted", self.accepted
        if self.everything:
            yield "all", self.everything


@dataclass(frozen=True, slots=True)
class MonthLine:
    """The figures of one level on one analyzer in one month.

    Values a person left out are counted and are in no figures.
    """

    level: ControlLevel
    analyzer: str
    figures: Both
    rejected: int
    left_out: int
    results: Sequence[ControlResult]


def both(
    results: Sequence[ControlResult], target: Decimal, allowable: Decimal | None = None
) -> Both:
    """Return the figures of what was judged and nobody left out, with and without rejections."""
    values = [(e.value, e.verdict) for e in results if e.counts and e.value is not None]
    kept = [value for value, verdict in values if verdict != "rejected"]
    told = figures(kept, target, allowable)
    if len(kept) == len(values):
        return Both(told, None)
    return Both(told, figures([value for value, _ in values], target, allowable))


def own_figures(results: Sequence[ControlResult], level: ControlLevel) -> Both:
    """Return the figures since the chosen point, or of all there is."""
    since = level.own_from
    return both([e for e in results if since is None or e.at >= since], level.mean)


def month_of(text: str, zone: ZoneInfo, now: datetime) -> tuple[datetime, datetime]:
    """Return when a month such as ``2026-03`` begins and ends; this one for anything else."""
    try:
        begin = datetime.strptime(text, "%Y-%m").replace(tzinfo=zone)
    except ValueError:
        local = now.astimezone(zone)
        begin = local.replace(day=1, hour=0, minute=0, second=0, microsecond=0)
    end = (begin + timedelta(days=32)).replace(day=1)
    return begin, end


def month(reader: Reader, begin: datetime, end: datetime, settings: Quality) -> list[MonthLine]:
    """Return the figures of every level measured between two instants, by test and analyzer."""
    found = []
    for level in reader.control_levels():
        allowable = settings.allowable.get(level.test)
        most = allowable.known().at(level.mean) if allowable else None
        on: dict[str, list[ControlResult]] = {}
        for each in reader.results_of_level(level.id, begin):
            if each.at < end and each.value is not None and each.verdict != "not judged":
                on.setdefault(each.analyzer, []).append(each)
        for analyzer, results in on.items():
            counted = [each for each in results if each.counts]
            told = both(counted, level.mean, most)
            rejected = sum(each.verdict == "rejected" for each in counted)
            out = len(results) - len(counted)
            found.append(MonthLine(level, analyzer, told, rejected, out, results))
    return sorted(found, key=lambda each: (each.level.test, each.analyzer, each.level.name))


def month_csv(lines: Sequence[MonthLine], begin: datetime) -> str:
    """Return monthly figures as CSV, with six decimals: a line of the accepted values of each
    level and, where any was rejected, one of all."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    for line, (values, told) in [(one, each) for one in lines for each in one.figures]:
        level = line.level
        numbers = (told.mean, told.sd, told.cv, told.bias, told.sigma)
        writer.writerow(
            [
                f"{begin:%Y-%m}", level.test, plain(line.analyzer), plain(level.material),
                plain(level.level), plain(level.lot), level.unit, values, told.n,
                line.rejected, line.left_out, level.mean,
                *("" if n is None else shown(n, 6) for n in numbers),
            ]
        )  # fmt: skip
    return out.getvalue()


def plain(text: str) -> str:
    """Return a cell no spreadsheet takes for a formula, whoever named the material."""
    return f"'{text}" if text[:1] in "=+-@" and text else text
