"""What rules did in service, as lines of text and as plain values for JSON."""

from collections.abc import Iterator
from datetime import timedelta
from typing import Any

from verifier.assurance.usage import FATES, Fate, RuleUse, Usage

FATE_WORDS: dict[Fate, str] = {
    "unchanged": "released unchanged",
    "corrected": "released corrected",
    "rejected": "rejected",
    "withdrawn": "withdrawn by the sender",
    "by rules": "released by the rules later",
    "open": "still open",
}
_SHORT: dict[Fate, str] = {
    "unchanged": "unchanged", "corrected": "corrected", "rejected": "rejected",
    "withdrawn": "withdrawn", "by rules": "by rules", "open": "open",
}  # fmt: skip


def as_text(usage: Usage, least: int) -> str:
    """Return a table with a line for each rule; `least` is how many overrides stand out."""
    head = ("rule", "held", "alone", *(_SHORT[fate] for fate in FATES), "median", "stands out")
    rows = [head, *(tuple(_cells(use, least)) for use in usage.rules)]
    widths = [max(len(row[n]) for row in rows) for n in range(len(head))]
    return "\n".join([*_lead(usage), "", *(_line(row, widths) for row in rows)])


def _lead(usage: Usage) -> Iterator[str]:
    more = "" if usage.all_read else "; there are more, older ones were not read"
    yield f"Specimens received since {usage.since:%Y-%m-%d %H:%M %Z}: {usage.cases}{more}"
    yield "Each result that a rule held is counted for that rule, once; what became of it follows."


def _cells(use: RuleUse, least: int) -> Iterator[str]:
    yield use.rule
    yield str(use.held)
    yield str(use.alone)
    yield from (str(use.fates[fate]) for fate in FATES)
    yield time_text(use.median)
    yield use.standing(least)


def _line(row: tuple[str, ...], widths: list[int]) -> str:
    first, *numbers, last = zip(row, widths, strict=True)
    cells = [f"{first[0]:<{first[1]}}", *(f"{text:>{width}}" for text, width in numbers), last[0]]
    return "  ".join(cells).rstrip()


def time_text(time: timedelta | None) -> str:
    """Return a time in the unit that suits it, "" for none."""
    if time is None:
        return ""
    minutes = time.total_seconds() / 60
    if minutes < 1:
        return f"{time.total_seconds():.0f} s"
    if minutes < 120:
        return f"{minutes:.0f} min"
    return f"{minutes / 60:.1f} h" if minutes < 2880 else f"{minutes / 1440:.1f} d"


def as_json(usage: Usage, least: int) -> dict[str, Any]:
    """Return the same as plain values; times are whole seconds."""
    return {
        "since": usage.since.isoformat(),
        "specimens": usage.cases,
        "all read": usage.all_read,
        "rules": [_rule(use, least) for use in usage.rules],
    }


def _rule(use: RuleUse, least: int) -> dict[str, Any]:
    return {
        "rule": use.rule,
        "held": use.held,
        "held alone": use.alone,
        **{FATE_WORDS[fate]: use.fates[fate] for fate in FATES},
        "median seconds to settle": None if use.median is None else int(use.median.total_seconds()),
        "held last": None if use.last is None else use.last.isoformat(),
        "stands out": use.standing(least),
    }
