"""The figures of a month as a document to print, sign and keep, with a chart of every level."""

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from itertools import groupby
from zoneinfo import ZoneInfo

from msgspec import Struct
from msgspec.structs import replace

from verifier.documents.document import (
    Cell,
    Chart,
    Column,
    Document,
    Level,
    Mark,
    Paragraph,
    Points,
    Section,
    Signatures,
    Table,
    Tone,
)
from verifier.facts.catalogue import TestDefinition
from verifier.quality.figures import Figures
from verifier.store.qualityrows import ControlLevel, ControlResult, CorrectiveAction
from verifier.texts import mark
from verifier.web.catalogue import say
from verifier.web.monthview import MonthLine
from verifier.web.qualitynumbers import brief, digits_of, insert_of, shown
from verifier.web.units import readable
from verifier.web.words import month as month_name
from verifier.web.words import word

CAUTIONS = mark(
    "Not a medical device by itself. The laboratory chooses its controls, limits and rules, its "
    "director approves them, and local law and accreditation decide."
)
METHOD = mark(
    "The figures are those of the accepted values; where any was rejected, a second line gives "
    "those of all values: a method that has moved shows there, since the rules that find it reject "
    "true values. What a person left out is counted and is in neither. SD with n − 1. CV = SD / "
    "mean. Bias is against the mean of the insert. Sigma = (allowable total error − |bias|) / CV, "
    "where the settings give an allowable error."
)
_COLUMNS = (
    Column(mark("Test"), 2.8), Column(mark("Analyzer"), 2), Column(mark("Control"), 2.8),
    Column(mark("Lot"), 1.8),
    Column(mark("n"), 1, right=True), Column(mark("Rejected"), 2.1, right=True),
    Column(mark("Left out"), 1.2, right=True), Column(mark("Insert"), 2.6, right=True),
    Column(mark("Mean"), 1.8, right=True), Column(mark("SD"), 1.5, right=True),
    Column(mark("CV %"), 1.4, right=True),
    Column(mark("Bias %"), 1.7, right=True), Column(mark("Sigma"), 1.7, right=True),
)  # fmt: skip


class Month(Struct, frozen=True):
    """Everything on the paper: figures by test and analyzer, and what was done about them."""

    laboratory: str
    begin: datetime
    lines: Sequence[MonthLine]
    actions: Sequence[CorrectiveAction]
    titles: Mapping[str, TestDefinition]
    zone: ZoneInfo


def month_document(month: Month, made: datetime) -> Document:
    """Return a month as a document."""
    return Document(
        title=say("Controls in %(month)s", month=month_name(month.begin.date())),
        subtitle=month.laboratory,
        made=made,
        foot=month.laboratory,
        first=(
            Paragraph(say(CAUTIONS), "quiet"),
            Paragraph(say(METHOD), "quiet"),
            _summary(month),
            Signatures((say("Reviewed by"),)),
        ),
        sections=tuple(_sections(month)),
        contents=False,
    )


def _summary(month: Month) -> Table:
    rows = tuple(row for line in month.lines for row in _rows(line, month))
    columns = tuple(replace(column, title=say(column.title)) for column in _COLUMNS)
    return Table(columns, rows, empty=say("No control was measured in this month."))


def _rows(line: MonthLine, month: Month) -> Iterator[tuple[Cell | str, ...]]:
    level, told = line.level, line.figures
    n, *numbers = _numbers(level, told.accepted)
    yield (
        _title(month, level.test), line.analyzer, level.name, level.lot, n,
        Cell(str(line.rejected), "bad" if line.rejected else ""), str(line.left_out),
        f"{brief(level.mean, level)} {readable(level.unit)}", *numbers,
    )  # fmt: skip
    if told.everything:
        n, *numbers = _numbers(level, told.everything)
        yield ("", "", say("all values"), "", n, "", "", "", *numbers)


def _numbers(level: ControlLevel, told: Figures) -> tuple[str, ...]:
    digits = digits_of(level)
    return (
        str(told.n), shown(told.mean, digits), shown(told.sd, digits), shown(told.cv, 2),
        shown(told.bias, 2), shown(told.sigma, 1),
    )  # fmt: skip


def _sections(month: Month) -> Iterator[Section]:
    by_place = groupby(month.lines, key=lambda line: (line.level.test, line.analyzer))
    for (test, analyzer), lines in by_place:
        blocks = tuple(block for line in lines for block in _level(line, month))
        done = tuple(
            f"{action.at.astimezone(month.zone):%Y-%m-%d %H:%M}, {action.who}: {action.text}"
            for action in month.actions
            if (action.test, action.analyzer) == (test, analyzer)
        )
        if done:
            blocks = (*blocks, Paragraph(say("Corrective actions"), "strong"), Points(done))
        yield Section(
            say("%(test)s on %(analyzer)s", test=_title(month, test), analyzer=analyzer), blocks
        )


def _level(line: MonthLine, month: Month) -> tuple[Paragraph | Chart | Points, ...]:
    level = line.level
    head = Paragraph(f"{level.name}, {say('lot %(lot)s', lot=level.lot)}: {insert_of(level)}")
    found = tuple(_told(each, month.zone) for each in line.results if _remarkable(each))
    chart = _chart(line, month)
    return (head, chart, Points(found)) if found else (head, chart)


def _chart(line: MonthLine, month: Month) -> Chart:
    """Draw what was judged, in SDs from the mean each was judged by."""
    drawn = [each for each in line.results if each.left_out is None]
    marks = tuple(
        Mark(float(at), _z(each), ", ".join(_worst(each.rules))) for at, each in enumerate(drawn)
    )
    days = [f"{each.at.astimezone(month.zone):%Y-%m-%d}" for each in drawn]
    levels = tuple(
        Level(sd, say("mean") if sd == 0 else f"{sd:+d} SD".replace("-", "−"),
              "strong" if sd in (0, 3, -3) else "quiet")
        for sd in range(-3, 4)
    )  # fmt: skip
    return Chart(
        say("%(count)s values, in SDs from the mean each was judged by", count=len(drawn)),
        marks,
        levels,
        left=days[0] if days else "",
        right=days[-1] if days else "",
    )


def _z(result: ControlResult) -> float:
    assert result.value is not None
    return float((result.value - (result.mean or 0)) / (result.sd or 1))


def _worst(rules: Sequence[str]) -> Sequence[str]:
    return [rule for rule in rules if rule != "1-2s"] or rules


def _remarkable(result: ControlResult) -> bool:
    return bool(result.rules) or result.left_out is not None


def _told(result: ControlResult, zone: ZoneInfo) -> Cell:
    rules = f" ({', '.join(result.rules)})" if result.rules else ""
    out = ""
    if result.left_out:
        told = say("left out by %(who)s: %(why)s", who=result.left_out_by, why=result.left_out_why)
        out = f", {told}"
    value = f"{result.value} {readable(result.unit)}"
    text = f"{result.at.astimezone(zone):%Y-%m-%d %H:%M}: {value}, "
    tone: Tone = "bad" if result.verdict == "rejected" and not out else ""
    return Cell(f"{text}{word(result.verdict)}{rules}{out}", tone)


def _title(month: Month, test: str) -> str:
    return month.titles[test].title if test in month.titles else test
