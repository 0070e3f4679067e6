"""How things read on the page: times, durations, states, raw messages."""

import json
from collections.abc import Mapping
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from babel.dates import format_skeleton

from verifier.store.rows import SuspensionRow
from verifier.texts import mark
from verifier.web.catalogue import current, say, say_count
from verifier.web.units import readable

# Words that are stored or sent in English, and said in the language of the request.
_WORDS = (
    mark("technologist"), mark("pathologist"), mark("administrator"),
    mark("held"), mark("waiting"), mark("open"), mark("released"), mark("suppressed"),
    mark("rejected"), mark("withdrawn"), mark("superseded"), mark("replaced"),
    mark("rerun"), mark("dilution"), mark("new specimen"), mark("call"), mark("order"),
    mark("told"), mark("known"), mark("not needed"), mark("done"), mark("cancelled"),
    mark("sent"), mark("refused"), mark("taken back"), mark("given up"),
    mark("reference limit"), mark("critical limit"), mark("possible-value limit"),
    mark("measurable limit"), mark("autorelease limit"), mark("change limit"),
    mark("newly released"), mark("failed"), mark("newly held"), mark("now waits"),
    mark("other words"), mark("other reasons"),
    mark("routine"), mark("stat"), mark("callback"), mark("preop"), mark("timing critical"),
    mark("rejected"), mark("warning"), mark("not judged"), mark("accepted"), mark("overdue"),
    mark("released by rules"), mark("released by a person"), mark("no control defined"),
    mark("in control"), mark("out of control"), mark("unknown"),
)  # fmt: skip


def word(text: str) -> str:
    """Return a word of ours in the language of the request, anything else as it is."""
    return say(text) if text in _WORDS else text


def severity(number: int) -> str:
    """Return the word for `store.severity`, beside the shape and color of the style sheet."""
    return {
        5: say("critical"),
        4: say("correction"),
        3: say("rule"),
        2: say("safeguard"),
        1: say("not judged"),
        0: say("settled"),
    }[number]


def moment(at: datetime, zone: ZoneInfo, now: datetime) -> str:
    """Return a time as short as it can be told apart: today only the time of day."""
    local, today = at.astimezone(zone), now.astimezone(zone).date()
    time = _written("Hm", local)
    if local.date() == today:
        return time
    return f"{_written('MMMd' if local.year == today.year else 'yMMMd', local)} {time}"


def month(day: date) -> str:
    """Return a month with its year."""
    return _written("yMMMM", datetime.combine(day, datetime.min.time()))


def _written(parts: str, local: datetime) -> str:
    """Return parts of a time, a skeleton of CLDR, as the language of the request writes them."""
    return str(format_skeleton(parts, local, locale=current().locale))


def dated(at: datetime, zone: ZoneInfo) -> str:
    """Return a time with its day, month and year, whatever day it is today."""
    local = at.astimezone(zone)
    return f"{_written('yMMMd', local)} {_written('Hm', local)}"


def exactly(at: datetime, zone: ZoneInfo) -> str:
    """Return a time to the second with its zone, in the form of ISO 8601 whatever the language."""
    return f"{at.astimezone(zone):%Y-%m-%d %H:%M:%S %Z}"


def duration(span: timedelta) -> str:
    """Return a duration in its two largest units: ``2 h 14 min``."""
    minutes = max(0, int(span.total_seconds())) // 60
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 24:
        return f"{hours} h {minutes:02} min"
    days, hours = divmod(hours, 24)
    return f"{days} d {hours} h"


def left(soon: datetime, due: datetime, now: datetime) -> tuple[str, str]:
    """Return how a target stands (``soon``, ``missed`` or nothing) and the words for it."""
    if now >= due:
        return "missed", say("missed by %(span)s", span=duration(now - due))
    span = duration(due - now)
    if now >= soon:
        return "soon", say("about to miss: %(span)s left", span=span)
    return "", say("%(span)s left", span=span)


def overdue(calls: int) -> str:
    """Return what is said above every page of calls that should have been made, "" without any."""
    if not calls:
        return ""
    return say_count(
        "One critical result has not been told in time. Look at Calls.",
        "%(num)s critical results have not been told in time. Look at Calls.",
        calls,
    )


def gap(span: timedelta) -> str:
    """Return how far another moment is away, and on which side."""
    if abs(span) < timedelta(minutes=1):
        return say("at the same time")
    apart = duration(abs(span))
    if span > timedelta():
        return say("%(span)s later", span=apart)
    return say("%(span)s earlier", span=apart)


def suspension(row: SuspensionRow) -> dict[str, str]:
    """Return a suspension as words for the band at the top of every page."""
    what = {
        "all": say("all results"),
        "test": say("test %(name)s", name=row.subject),
        "connection": say("connection %(name)s", name=row.subject),
    }
    scope = what[row.scope]
    return {"scope": scope, "who": row.who, "text": row.text}


_BROWSERS = (("Edg", "Edge"), ("OPR/", "Opera"), ("Firefox/", "Firefox"),
             ("Chrome/", mark("Chrome or one like it")), ("Safari/", "Safari"))  # fmt: skip
_SYSTEMS = (("Windows", "Windows"), ("Android", "Android"), ("iPhone", mark("a telephone")),
            ("iPad", mark("a tablet")), ("Mac OS", mark("a Mac")), ("CrOS", "ChromeOS"),
            ("Linux", "Linux"))  # fmt: skip


def device(agent: str) -> str:
    """Return what a browser says of itself in a few words; it may say anything."""
    browser = next((name for sign, name in _BROWSERS if sign in agent), mark("another program"))
    system = next((name for sign, name in _SYSTEMS if sign in agent), "")
    if not system:
        return say(browser)
    return say("%(browser)s on %(system)s", browser=say(browser), system=say(system))


def raw_message(data: bytes) -> str:
    """Return a message one segment per line, with control characters made visible."""
    text = data.decode("utf-8", "replace").replace("\r\n", "\r").replace("\r", "\n")
    return visible(text)


def visible(text: str) -> str:
    """Return a text with control characters made visible."""
    return "".join(_visible(character) for character in text)


def _visible(character: str) -> str:
    code = ord(character)
    return character if character == "\n" or code >= 32 else chr(0x2400 + code)


def detail(entry: Mapping[str, object] | None) -> str:
    """Return the details of an audit entry on one line."""
    if entry is None:
        return say("(removed after its time)")
    return "; ".join(f"{name}: {_plain(value)}" for name, value in entry.items() if value != "")


def _plain(value: object) -> str:
    if isinstance(value, str | int):
        return str(value)
    if isinstance(value, list):
        return ", ".join(_plain(item) for item in value) or say("none")
    if isinstance(value, Mapping):
        return ", ".join(f"{name} {_plain(item)}" for name, item in value.items()) or say("none")
    return json.dumps(value)


def sentence(text: str) -> str:
    """Return a reason with a capital at its start and a stop at its end, its units readable."""
    text = readable(text.strip())
    stop = "" if text.endswith((".", "!", "?")) else "."
    return f"{text[:1].upper()}{text[1:]}{stop}"
