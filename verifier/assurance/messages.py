"""Writes the steps of a scenario as HL7 v2.5.1 ORU^R01 messages, as an analyzer would send them."""

from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from itertools import groupby
from typing import NamedTuple

from verifier.assurance.cases import NOW, collected
from verifier.facts.ages import anniversary
from verifier.facts.catalogue import Catalogue
from verifier.facts.extract import SPECIMEN_TYPES
from verifier.facts.numbers import value_text
from verifier.facts.values import Absent, Between, Number, Titer, TiterBetween, Unreadable, Value
from verifier.language.scenarios import ScenarioStep

_ATTRIBUTES = {"class": 2, "ward": 3}  # fields of PV1
_CODES = {word: code for code, word in reversed(SPECIMEN_TYPES.items())}
_SYSTEMS = {"LN": "LN", "L": "L"}


class Sent(NamedTuple):
    """One message: its text, and the specimen it is about; `past` marks an earlier specimen."""

    text: str
    specimen: str
    past: bool
    at: datetime


class _Whose(NamedTuple):
    number: str
    birth: str
    sex: str
    attributes: tuple[tuple[str, str], ...]
    type: str


def unsendable(steps: Sequence[ScenarioStep], catalogue: Catalogue) -> str:
    """Return why no message can say what a scenario gives, "" where one can."""
    for step in steps:
        for name, _ in step.attributes:
            if name not in _ATTRIBUTES:
                return f"attribute {name} has no place in a message"
        given = [item[0] for item in (*step.results, *step.preceding)]
        given += [item[0] for item in step.earlier]
        for test in given:
            if not catalogue.tests[test].codes:
                return f"{test} has no code to be sent with"
    return ""


def messages(steps: Sequence[ScenarioStep], catalogue: Catalogue) -> list[Sent]:
    """Return the messages of a scenario in the order of time.

    Earlier results come first, each time of collection as a specimen of its own, then the specimen
    that the analyzer measured just before, then a message for each step. A step that brings nothing
    is sent as the one before, again.
    """
    return list(_messages(steps, catalogue))


def _messages(steps: Sequence[ScenarioStep], catalogue: Catalogue) -> Iterator[Sent]:
    taken, whose = collected(steps), _patient(steps)
    past = sorted((item for step in steps for item in step.earlier), key=lambda item: -item[2])
    seen: dict[tuple[timedelta, str], int] = {}
    rows = []
    for test, value, ago in past:  # one specimen has one value of a test
        place = seen[ago, test] = seen.get((ago, test), 0) + 1
        rows.append((ago, place, test, value))
    rows.sort(key=lambda row: (-row[0], row[1]))
    for number, (key, found) in enumerate(groupby(rows, key=lambda row: row[:2]), start=1):
        results = [(test, value) for *_, test, value in found]
        at = taken - key[0]
        yield _sent(f"E{number}", whose, results, at, at + timedelta(hours=1), catalogue, past=True)
    before = [item for step in steps for item in step.preceding]
    if before:
        other = whose._replace(number="2", attributes=())
        at = NOW - timedelta(minutes=1)
        yield _sent("P1", other, before, taken, at, catalogue, past=True)
    last: Sequence[tuple[str, Value]] = ()
    for step in steps:
        last = step.results or last
        yield _sent("S1", whose, last, taken, NOW + step.after, catalogue, past=False)


def _patient(steps: Sequence[ScenarioStep]) -> _Whose:
    taken = collected(steps)
    age = next((step.age for step in reversed(steps) if step.age), None)
    birth = f"{anniversary(taken.date(), -age[0], age[1]):%Y%m%d}" if age else ""
    if age and age[1] == "days":  # the first days of life count in hours
        birth += f"{taken:%H%M}"
    said = tuple(item for step in steps for item in step.attributes)
    kind = next((step.specimen for step in reversed(steps) if step.specimen), "")
    sex = next((step.sex for step in reversed(steps) if step.sex), "")
    return _Whose("1", birth, sex, said, kind)


def _sent(
    specimen: str,
    whose: _Whose,
    results: Sequence[tuple[str, Value]],
    taken: datetime,
    at: datetime,
    catalogue: Catalogue,
    *,
    past: bool,
) -> Sent:
    visit = [""] * 4
    for name, said in whose.attributes:
        visit[_ATTRIBUTES[name]] = said
    segments = [
        f"MSH|^~\\&|ANALYZER|LAB|VERIFIER|LAB|{_stamp(at)}||ORU^R01^ORU_R01|"
        f"{specimen}-{at:%H%M%S}|P|2.5.1",
        f"PID|1||{whose.number}^^^LAB^MR||Counterexample||{whose.birth}|{whose.sex}",
        *(["PV1|1" + "|".join(["", *visit[2:]])] if whose.attributes else []),
        f"OBR|1|{specimen}|{specimen}|CHEM^Chemistry^L|||{_stamp(taken)}",
        *(
            _obx(number, test, value, at, catalogue)
            for number, (test, value) in enumerate(results, start=1)
        ),
        f"SPM|1|{specimen}||{_CODES.get(whose.type, whose.type)}|||||||P||||||{_stamp(taken)}",
    ]
    return Sent("\r".join(segments) + "\r", specimen, past, at)


def _obx(number: int, test: str, value: Value, at: datetime, catalogue: Catalogue) -> str:
    known = catalogue.tests[test]
    system, code = known.codes[0]
    kind, text = _content(value)
    head = f"OBX|{number}|{kind}|{code}^{known.title}^{_SYSTEMS[system]}||{text}|{known.unit}"
    return f"{head}|||||F|||||||ANALYZER|{_stamp(at)}"


def _content(value: Value) -> tuple[str, str]:
    """Return OBX-2 and OBX-5."""
    match value:
        case Titer() | TiterBetween():
            return "ST", value_text(value)
        case Number():
            return "NM", value_text(value)
        case Between():
            if value.low is not None and value.high is not None:
                return "SN", f"^{value.low:f}^-^{value.high:f}"
            text = value_text(value)
            sign = text[: len(text) - len(text.lstrip("<>="))]
            return "SN", f"{sign}^{text.removeprefix(sign)}"
        case Absent():
            return "NM", ""
        case Unreadable(text, _):
            return "NM", text
    return "ST", value_text(value)


def _stamp(at: datetime) -> str:
    return f"{at:%Y%m%d%H%M%S}+0000"
