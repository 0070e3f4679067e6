"""Looks for patients whom no limit row fits, or several: shown as a patient, not as a formula.

Populations only change their answer at the ages, sexes, specimen types and attribute values they
name, so trying a patient on either side of each finds every gap and every overlap.
"""

from collections.abc import Iterator, Mapping
from dataclasses import fields, is_dataclass
from datetime import UTC, date, datetime, timedelta
from itertools import islice, product
from typing import NamedTuple, TypeVar

from verifier.facts.ages import anniversary, completed
from verifier.facts.case import Case
from verifier.facts.subjects import BirthDate, Moment, Patient, Specimen
from verifier.language import kinds, tree
from verifier.language.changes import ChangeLimit
from verifier.language.comparing import Test
from verifier.language.diagnostics import listing
from verifier.language.findings import Findings
from verifier.language.fitting import limit_words
from verifier.language.limits import LimitRow, LimitTables
from verifier.language.memory import Memory
from verifier.language.reuse import names_of
from verifier.language.scene import Scene
from verifier.language.source import Span
from verifier.language.stretches import meet, reaches_outside
from verifier.language.tables import note_critical_inside, note_outside
from verifier.language.truth import Unknown

_ON = datetime(2023, 6, 15, 12, tzinfo=UTC)  # any day that no month lacks
_TAKEN = Moment(_ON, "minute", f"{_ON:%Y%m%d%H%M}")
_MOST = 5000  # patients tried
_WHO = {
    "F": ("girl", "woman"),
    "M": ("boy", "man"),
    "O": ("child of another sex", "adult of another sex"),
}

Found = TypeVar("Found", bound=tree.Node)
Rows = list[LimitRow] | list[ChangeLimit]


class Person(NamedTuple):
    """One patient to try, and how to speak of them."""

    words: str
    scene: Scene


class Tried:
    """The patients to try, and what trying them showed; most tests have rows for the same ones."""

    def __init__(self, persons: list[Person]) -> None:
        self._persons = persons
        self._first: dict[tuple[str, ...], tuple[str, tuple[int, int] | None]] = {}
        self._shared: dict[tuple[str, str], str] = {}

    def first(self, whom: tuple[str, ...]) -> tuple[str, tuple[int, int] | None]:
        """Return the first patient in two of these populations, with the two; else in none."""
        if whom not in self._first:
            self._first[whom] = _first(whom, self._persons)
        return self._first[whom]

    def shared(self, one: str, other: str) -> str:
        """Return the first patient in both populations, "" when there is none."""
        if (one, other) not in self._shared:
            both = (p.words for p in self._persons if _is_in(one, p) and _is_in(other, p))
            self._shared[one, other] = next(both, "")
        return self._shared[one, other]


def check_partitions(
    tables: LimitTables,
    populations: Mapping[str, tree.Population],
    tests: Mapping[str, Test],
    parameters: Mapping[str, tree.Parameter],
    findings: Findings,
    memory: Memory,
) -> None:
    """Note overlaps and contradictions of limit rows as errors, gaps as remarks."""
    if not populations:
        return
    ages = {name: item.value for name, item in parameters.items()}
    everybody = list(populations.values())
    used = {name for node in everybody for name in memory.once(names_of, node)}
    parts = (*everybody, *(parameters[name] for name in parameters if name in used))
    memory.patients.begin()
    tried: Tried = memory.patients.of(
        memory.shape_of(map(memory.shape, parts)),
        lambda: Tried(list(islice(_patients(everybody, tests, ages), _MOST))),
    )
    gaps: dict[tuple[str, str], list[tuple[str, Span]]] = {}
    rows: dict[tuple[str, str], Rows] = {**tables.rows}
    rows |= {(test, "change"): changes for test, changes in tables.changes.items()}
    for (test, kind), found in sorted(rows.items()):
        gap = _check(found, tried, findings)
        if gap:
            gaps.setdefault((kind, gap), []).append((test, found[0].span))
        if kind == "critical":
            for other in ("reference", "autorelease"):
                _check_critical(tables.rows[test, kind], tables.rows.get((test, other), []),
                                tried, findings)  # fmt: skip
        if kind in ("critical", "reference", "autorelease"):
            _check_possible(tables.rows[test, kind], tables.rows.get((test, "possible"), []),
                            tried, findings)  # fmt: skip
    for (kind, words), places in gaps.items():
        findings.add(
            "R306", places[0][1], f"no {limit_words(kind)} fits {_article(words)} {words}",
            severity="note",
            meaning=f"this concerns {listing(test for test, _ in places)}; where a rule asks for "
            "the limit, such results are held.",
        )  # fmt: skip


def _check_critical(
    critical: list[LimitRow], others: list[LimitRow], tried: Tried, findings: Findings
) -> None:
    """Note critical values inside the interval of another population that shares a patient."""
    for row, other in product(critical, others):
        if row.population == other.population or not meet(row, other):
            continue
        words = tried.shared(row.population, other.population)
        if words:
            where = f"the {other.kind} interval of {_article(words)} {words}"
            note_critical_inside(row, other, where, findings)


def _check_possible(
    rows: list[LimitRow], possible: list[LimitRow], tried: Tried, findings: Findings
) -> None:
    """Note limits that lie outside what is possible for another population sharing a patient."""
    for row, other in product(rows, possible):
        if other.population in ("", row.population) or not reaches_outside(row, other):
            continue
        words = tried.shared(row.population, other.population)
        if words:
            note_outside(row, other, f"what is possible for {_article(words)} {words}", findings)


def _is_in(population: str, person: Person) -> bool:
    return not population or person.scene.populations[population] is True


def _check(rows: Rows, tried: Tried, findings: Findings) -> str:
    """Note the first overlap of some rows; return the first patient no row fits."""
    words, overlap = tried.first(tuple(row.population for row in rows))
    if overlap is None:
        return words
    first, second = (rows[number] for number in overlap)
    findings.add(
        "R302", second.span, f"two limits fit {_article(words)} {words}",
        meaning="the two could disagree, and a reader could not tell which one counts.",
        fix="write populations that do not overlap", related=[first.span],
    )  # fmt: skip
    return ""


def _first(whom: tuple[str, ...], persons: list[Person]) -> tuple[str, tuple[int, int] | None]:
    gap = ""
    for person in persons:
        fitting = [number for number, each in enumerate(whom) if _is_in(each, person)]
        if len(fitting) > 1:
            return person.words, (fitting[0], fitting[1])
        gap = gap or ("" if fitting else person.words)
    return gap, None


def _patients(
    populations: list[tree.Population], tests: Mapping[str, Test], ages: Mapping[str, tree.Amount]
) -> Iterator[Person]:
    conditions = [population.condition for population in populations]
    births = sorted({_ON.date(), *(b for node in conditions for b in _births(node, ages))})
    types = sorted({node.type for node in _nodes(conditions, tree.SpecimenIs)}) or [""]
    stated = sorted({(n.attribute, n.value) for n in _nodes(conditions, tree.AttributeIs)})
    names = sorted({name for name, _ in stated})
    choices = [[*(v for n, v in stated if n == name), "another"] for name in names]
    for attributes in product(*choices):
        for birth, sex, kind in product(births, "FMO", [*types, "another"] if types[0] else [""]):
            given = dict(zip(names, attributes, strict=True))
            patient = Patient(
                "tried", birth=BirthDate(birth, birth, _ON.time()), sex=sex, attributes=given
            )
            case = Case(patient, Specimen("tried", kind, _TAKEN), (), {}, {}, _ON, _ON)
            scene = Scene(case, {}, lambda scene, name: Unknown(), lambda s, n: tests[n](s))
            yield Person(_words(birth, sex, kind, given), scene)


def _births(condition: tree.Expression, ages: Mapping[str, tree.Amount]) -> Iterator[date]:
    """Yield birth dates on either side of every age a condition names."""
    for node in _nodes([condition], tree.Compare):
        amount = ages.get(node.right.name) if isinstance(node.right, tree.Name) else node.right
        if not isinstance(node.left, tree.Age) or not isinstance(amount, tree.Amount):
            continue
        birth = _born(int(amount.value), kinds.singular(amount.unit or ""))
        if birth is not None:
            yield from (birth, birth + timedelta(days=1))


def _born(count: int, unit: str) -> date | None:
    """Return the birth date of somebody who completes an age on the day of the trial."""
    span = kinds.SPANS.get(unit)
    try:
        return anniversary(_ON.date(), -count, span) if span else None
    except (OverflowError, ValueError):
        return None


def _nodes(conditions: list[tree.Expression], kind: type[Found]) -> Iterator[Found]:
    waiting: list[object] = list(conditions)
    while waiting:
        part = waiting.pop()
        if isinstance(part, kind):
            yield part
        if isinstance(part, tuple):
            waiting += part
        elif is_dataclass(part):
            waiting += [getattr(part, field.name) for field in fields(part)]


def _article(words: str) -> str:
    return "an" if words[0] in "aeiou" else "a"


def _words(birth: date, sex: str, kind: str, attributes: Mapping[str, str]) -> str:
    years = completed(birth, _ON.date(), "years")
    days = (_ON.date() - anniversary(birth, years, "years")).days
    who = _WHO[sex][years >= 18]
    parts = [who, f"{years} years {days} days" if years else f"{days} days"]
    parts += [f"{name} {value}" for name, value in attributes.items()]
    return ", ".join([*parts, kind] if kind else parts)
