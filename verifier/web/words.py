"""How things read on the page: times, durations, states, raw messages."""

import json
from collections.abc import Mapping
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from verifier.store.rows import SuspensionRow

# Keyed by `store.severity`: a word to read, beside the shape and color the style sheet gives it.
SEVERITIES = {
    5: "critical",
    4: "correction",
    3: "rule",
    2: "safeguard",
    1: "not judged",
    0: "settled",
}


def moment(at: datetime, zone: ZoneInfo, now: datetime) -> str:
    """Return a time as short as it can be told apart: today only the time of day."""
    local, today = at.astimezone(zone), now.astimezone(zone).date()
    if local.date() == today:
        return f"{local:%H:%M}"
    year = "" if local.year == today.year else f" {local.year}"
    return f"{local.day} {local:%b}{year} {local:%H:%M}"


def dated(at: datetime, zone: ZoneInfo) -> str:
    """Return a time with its day, month and year, whatever day it is today."""
    local = at.astimezone(zone)
    return f"{local.day} {local:%b %Y %H:%M}"


def exactly(at: datetime, zone: ZoneInfo) -> str:
    """Return a time to the second with its zone."""
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
        return "missed", f"missed by {duration(now - due)}"
    words = f"{duration(due - now)} left"
    return ("soon", f"about to miss: {words}") if now >= soon else ("", words)


def overdue(calls: int) -> str:
    """Return what is said above every page of calls that should have been made, "" without any."""
    if not calls:
        return ""
    what = "One critical result has" if calls == 1 else f"{calls} critical results have"
    return f"{what} not been told in time. Look at Calls."


def gap(span: timedelta) -> str:
    """Return how far another moment is away, and on which side."""
    if abs(span) < timedelta(minutes=1):
        return "at the same time"
    return f"{duration(abs(span))} {'later' if span > timedelta() else 'earlier'}"


def suspension(row: SuspensionRow) -> dict[str, str]:
    """Return a suspension as words for the band at the top of every page."""
    what = {"all": "all results", "test": f"test {row.subject}"}
    scope = what.get(row.scope, f"connection {row.subject}")
    return {"scope": scope, "who": row.who, "text": row.text}


_BROWSERS = (("Edg", "Edge"), ("OPR/", "Opera"), ("Firefox/", "Firefox"),
             ("Chrome/", "Chrome or one like it"), ("Safari/", "Safari"))  # fmt: skip
_SYSTEMS = (("Windows", "Windows"), ("Android", "Android"), ("iPhone", "a telephone"),
            ("iPad", "a tablet"), ("Mac OS", "a Mac"), ("CrOS", "ChromeOS"),
            ("Linux", "Linux"))  # fmt: skip


def device(agent: str) -> str:
    """Return what a browser says of itself in a few words; it may say anything."""
    browser = next((word for mark, word in _BROWSERS if mark in agent), "another program")
    system = next((word for mark, word in _SYSTEMS if mark in agent), "")
    return f"{browser} on {system}" if system else browser


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
        return "(removed after its time)"
    return "; ".join(f"{name}: {_plain(value)}" for name, value in entry.items() if value != "")


def _plain(value: object) -> str:
    if isinstance(value, str | int):
        return str(value)
    if isinstance(value, list):
        return ", ".join(_plain(item) for item in value) or "none"
    if isinstance(value, Mapping):
        return ", ".join(f"{name} {_plain(item)}" for name, item in value.items()) or "none"
    return json.dumps(value)


def sentence(text: str) -> str:
    """Return a reason with a capital at its start and a stop at its end."""
    text = text.strip()
    stop = "" if text.endswith((".", "!", "?")) else "."
    return f"{text[:1].upper()}{text[1:]}{stop}"
