"""What the search page asks and shows: the fields of its form, and specimens made readable."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from typing import get_args
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from verifier.errors import RefusedError
from verifier.facts.catalogue import Catalogue
from verifier.facts.numbers import value_text
from verifier.facts.values import Number
from verifier.store.search import MOST_WORDS, Became, Found, FoundResult, Question
from verifier.store.words import folded
from verifier.web.catalogue import say

SHORTEST_SPECIMEN, SHORTEST_WORD = 3, 2
USUAL_DAYS, MOST_DAYS = 7, 92  # where nobody and no specimen is asked for
PAGE = 40


@dataclass(frozen=True, slots=True)
class Fields:
    """The form as filled in, every field a text."""

    who: str = ""
    specimen: str = ""
    test: str = ""
    became: str = ""
    since: str = ""
    until: str = ""
    after: str = ""

    @property
    def empty(self) -> bool:
        """Whether nothing was asked."""
        return not any((self.who, self.specimen, self.test, self.became, self.since, self.until))

    def told(self) -> dict[str, str]:
        """Return what was asked, for the audit log."""
        names = ("who", "specimen", "test", "became", "since", "until")
        return {name: getattr(self, name) for name in names if getattr(self, name)}

    def page_behind(self, place: tuple[int, int]) -> str:
        """Return the address of the page that begins behind a place."""
        return "/search?" + urlencode({**self.told(), "after": f"{place[0]}.{place[1]}"})


@dataclass(frozen=True, slots=True)
class Hit:
    """A specimen of the list; `results` are those asked for, with the words they are shown in."""

    found: Found
    results: Sequence["HitResult"]


@dataclass(frozen=True, slots=True)
class HitResult:
    """One result of a listed specimen."""

    stored: FoundResult
    title: str
    value: str
    unit: str
    by: str


def question(fields: Fields, zone: ZoneInfo, now: datetime) -> Question:
    """Return what is looked for. Days are those of the laboratory; the last one is included.

    Raises:
        RefusedError: a field can not be read, or would have everything looked through.
    """
    words = folded(fields.who)
    if len(words) > MOST_WORDS or any(len(word) < SHORTEST_WORD for word in words):
        raise RefusedError(
            "Give at most %(most_words)s words of the patient, each of at least "
            "%(shortest_word)s characters: the beginning of a name or of the number.",
            most_words=MOST_WORDS,
            shortest_word=SHORTEST_WORD,
        )
    if fields.specimen and len(fields.specimen) < SHORTEST_SPECIMEN:
        raise RefusedError(
            "Give at least %(shortest_specimen)s characters of the specimen.",
            shortest_specimen=SHORTEST_SPECIMEN,
        )
    since, until = _day(fields.since), _day(fields.until)
    if not words and not fields.specimen:
        since, until = _bounded(since, until, now.astimezone(zone).date())
    return Question(
        words,
        fields.specimen,
        fields.test,
        _became(fields.became),
        None if since is None else _midnight(since, zone),
        None if until is None else _midnight(until + timedelta(days=1), zone),
        _after(fields.after),
    )


def hits(found: Sequence[Found], catalogue: Catalogue) -> list[Hit]:
    """Return what was found as it is shown."""
    return [Hit(one, [_result(result, one, catalogue) for result in one.results]) for one in found]


def shown_value(result: FoundResult, catalogue: Catalogue) -> tuple[str, str]:
    """Return a stored result as text and unit, in the unit the laboratory shows."""
    test = catalogue.tests.get(result.test)
    value, unit, decimals = result.value, result.unit, test.decimals if test else None
    if test and test.present and test.unit == unit:
        value, unit, decimals = (
            test.present.value(value),
            test.present.unit,
            test.present.decimals,
        )
    return value_text(value, decimals if isinstance(value, Number) else None), unit


def _result(result: FoundResult, found: Found, catalogue: Catalogue) -> HitResult:
    test, entry = catalogue.tests.get(result.test), found.record.entries[result.entry]
    value, unit = shown_value(result, catalogue)
    title = test.title if test else entry.observation.name or result.code
    by = entry.settled_by if result.became in ("released by a person", "rejected") else ""
    return HitResult(result, title, value or entry.observation.text or say("no value"), unit, by)


def _bounded(
    since: date | None, until: date | None, today: date
) -> tuple[date | None, date | None]:
    last = until or (since + timedelta(days=MOST_DAYS - 1) if since else today)
    first = since or last - timedelta(days=USUAL_DAYS - 1)
    if (last - first).days >= MOST_DAYS:
        raise RefusedError(
            "Without a patient or a specimen, ask for at most %(most_days)s days at once.",
            most_days=MOST_DAYS,
        )
    return first, last


def _day(text: str) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError as error:
        raise RefusedError("%(given)r is no day: write it as 2026-03-02.", given=text) from error


def _midnight(day: date, zone: ZoneInfo) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=zone)


def _became(text: str) -> Became:
    for known in get_args(Became):
        if known == text:
            found: Became = known
            return found
    raise RefusedError("There is no such outcome.")


def _after(text: str) -> tuple[int, int] | None:
    opened, _, case = text.partition(".")
    if not text:
        return None
    try:
        return int(opened), int(case)
    except ValueError as error:
        raise RefusedError("This page of the list can not be found; search again.") from error
