"""How the service does: shares, reasons, times, the queue, connections, and what it runs on."""

from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import Any

from fastapi import APIRouter, Depends
from fastapi.responses import Response

from verifier.errors import StoreError
from verifier.store.transaction import Reader
from verifier.web import figures
from verifier.web.bars import MOST, bar, pareto
from verifier.web.catalogue import percent, say
from verifier.web.desk import Content, Desk, TheDesk
from verifier.web.guard import May, Visitor

router = APIRouter()
PERIODS = {"today": 0, "7": 7, "30": 30}
LONGEST = timedelta(days=93)  # a page must not take minutes
FEWEST = 5  # results of a test before a quantile says anything


@dataclass(frozen=True, slots=True)
class Period:
    """From `since` until before `until`; `first` and `last` are its days at the laboratory."""

    name: str
    since: datetime
    until: datetime
    first: date
    last: date
    refused: str = ""


@router.get("/overview", dependencies=[Depends(May("look"))])
def overview(
    desk: TheDesk, session: Visitor, period: str = "today", first: str = "", last: str = ""
) -> Response:
    """Show the figures of a period and how things stand now."""
    chosen = _period(desk, period, first, last)
    signed = desk.store.last_signed()

    def gather(reader: Reader) -> Content:
        return (
            _counted(desk, reader, chosen)
            | _timed(desk, reader, chosen)
            | _standing(desk, reader)
            | {"signed": signed}
        )

    return desk.show("overview.html", session, gather)


def _period(desk: Desk, name: str, first: str, last: str) -> Period:
    """Return the period asked for; one that makes no sense is today, with a word why."""
    now, midnight = desk.clock(), desk.midnight()
    if name in PERIODS:
        since = midnight - timedelta(days=max(0, PERIODS[name] - 1))
        return Period(name, since, now, since.date(), midnight.date())
    try:
        begin, end = date.fromisoformat(first), date.fromisoformat(last)
    except ValueError:
        return _today(desk, say("Give both days as year-month-day."))
    since = datetime(begin.year, begin.month, begin.day, tzinfo=desk.zone)
    until = datetime(end.year, end.month, end.day, tzinfo=desk.zone) + timedelta(days=1)
    if until <= since or since > now:
        return _today(desk, say("The first day must not be after the last, nor in the future."))
    if until - since > LONGEST:
        return _today(desk, say("At most %(days)s days can be shown at once.", days=LONGEST.days))
    return Period("days", since, min(until, now), begin, end)


def _today(desk: Desk, refused: str) -> Period:
    midnight = desk.midnight()
    return Period("today", midnight, desk.clock(), midnight.date(), midnight.date(), refused)


def _counted(desk: Desk, reader: Reader, period: Period) -> Content:
    settled = reader.settled_counts(period.since, period.until)
    held = reader.held_counts() if period.until >= desk.clock() - timedelta(minutes=1) else []
    shares, causes = figures.shares(settled, held), figures.causes(settled, held)
    named = causes[:MOST]
    label = ", ".join(f"{cause.rule} {percent(cause.sofar)}" for cause in named)
    return {
        "period": period,
        "shares": shares,
        "whole": figures.together(shares),
        "causes": causes,
        "pareto": pareto([c.part for c in causes], [c.sofar for c in causes], label),
        "charted": MOST,
        "bar": bar,
        "titles": {name: test.title for name, test in _tests(desk).items()},
    }


def _tests(desk: Desk) -> Any:
    return desk.line.judge.program.catalogue.tests


def _timed(desk: Desk, reader: Reader, period: Period) -> Content:
    found = reader.courses(period.since, period.until)
    times = figures.times(found.drawn)
    rows = sorted(times.items(), key=lambda item: (-len(item[1].decided), item[0]))
    targets = desk.view().targets
    urgent = figures.times_by_priority(found.drawn)
    return {
        "times": rows,
        "by_priority": [
            (name, took, target, figures.within(took.released, target))
            for name, took in urgent.items()
            for target in (targets.of.get(name, targets.usual),)
        ],
        "drawn": len(found.drawn),
        "one_of": found.one_of,
        "fewest": FEWEST,
        "quantile": figures.quantile,
    }


def _standing(desk: Desk, reader: Reader) -> Content:
    """How things stand now, whatever the period."""
    ages = reader.queue_ages()
    try:
        log = reader.audit_state()
    except StoreError:
        log = None
    kind, size = reader.database()
    judge = desk.line.judge
    bands = figures.by_age(ages, desk.clock())
    return {
        "bands": list(zip(_bands(), bands, strict=True)),
        "most_in_band": max((sum(band.values()) for band in bands), default=0) or 1,
        "doors": desk.status.doors,
        "last": reader.last_messages(),
        "outbox": reader.outbox_counts(),
        "next": reader.next_out(list(desk.settings.destinations)),
        "destinations": list(desk.settings.destinations),
        "log": log,
        "kind": kind,
        "size": size,
        "version": reader.rule_version(judge.version) if judge.version else None,
        "active": reader.rule_active(desk.clock()),
        "started": desk.status.started,
    }


def _bands() -> list[str]:
    """Return what the bands between `figures.AGES` are called."""
    hours = ((1, 2), (2, 4), (4, 8), (8, 24))
    return [
        say("under 15 min"),
        say("15 to 30 min"),
        say("30 to 60 min"),
        *(say("%(least)s to %(most)s h", least=least, most=most) for least, most in hours),
        say("over a day"),
    ]
