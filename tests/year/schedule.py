"""When whose blood is drawn, and what is asked of it.

How many patients of which kind, how often they come and what is ordered: common practice of a
small hospital laboratory, no source.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from random import Random

from .illness import CHRONIC, EPISODES
from .people import Person
from .physiology import Attack

BEGIN = datetime(2025, 1, 1, tzinfo=UTC)
DAYS = 364

_SALTS = ["sodium", "potassium", "chloride", "bicarbonate"]
_KIDNEY = ["sodium", "potassium", "creatinine", "urea"]
_BASIC = [*_SALTS, "urea", "creatinine", "glucose", "calcium"]
_LIVER = ["albumin", "total_protein", "bilirubin", "alt", "ast", "alp", "ggt"]
PANELS = {
    "kidney": _KIDNEY,
    "basic": _BASIC,
    "renal": [*_BASIC, "albumin", "phosphate", "magnesium"],
    "liver": _LIVER,
    "bile": [*_LIVER, "bilirubin_direct", "ldh"],
    "lipid": ["cholesterol", "hdl", "triglyceride", "glucose"],
    "bone": ["calcium", "phosphate", "albumin", "alp", "magnesium"],
    "heart": ["troponin", "ck", "potassium", "sodium", "creatinine"],
    "iron": ["iron", "transferrin", "ferritin", "crp"],
    "belly": ["lipase", "amylase"],
    "crp": ["crp"],
    "minerals": ["magnesium", "phosphate", "calcium", "albumin"],
    "lactate": ["lactate"],
    "urate": ["urate"],
    "jaundice": ["bilirubin", "bilirubin_direct"],
    "lithium": ["lithium", "sodium", "creatinine"],
    "digoxin": ["digoxin", "potassium", "creatinine", "magnesium"],
}
_ORDERS: dict[str, dict[str, float]] = {
    "outpatient": {"kidney": 0.6, "basic": 0.3, "liver": 0.45, "lipid": 0.4, "iron": 0.12,
                   "bone": 0.08, "crp": 0.2, "urate": 0.1},
    "emergency": {"basic": 0.95, "crp": 0.65, "liver": 0.35, "heart": 0.3, "belly": 0.25,
                  "lactate": 0.12},
    "inpatient": {"kidney": 0.45, "basic": 0.5, "crp": 0.5, "minerals": 0.25, "liver": 0.22,
                  "bile": 0.06, "lactate": 0.05, "iron": 0.03},
    "dialysis": {"renal": 1.0, "iron": 0.25, "bone": 0.25},
    "child": {"basic": 0.7, "crp": 0.7, "liver": 0.25, "iron": 0.1},
    "newborn": {"jaundice": 0.8, "basic": 0.45, "crp": 0.4},
    "pregnant": {"kidney": 0.6, "liver": 0.4, "iron": 0.35, "urate": 0.2},
}  # fmt: skip
# Persons of each kind; they bring about 35 % outpatient, 18 % emergency, 37 % inpatient,
# 4 % dialysis, 6 % other specimens.
_GROUPS = {
    "outpatient": 0.235, "emergency": 0.150, "inpatient": 0.030, "dialysis": 0.003,
    "child": 0.032, "newborn": 0.011, "pregnant": 0.010,
}  # fmt: skip


@dataclass
class Draw:
    """One specimen as it is taken. `group` is the kind of patient at that time."""

    number: int
    person: Person
    collected: datetime
    group: str
    tests: list[str]
    attacks: list[Attack] = field(default_factory=list)
    drug: str = ""


def draws_of(number: int, seed: int) -> list[Draw]:
    """Return all specimens of person `number` of the year that `seed` names."""
    rng = Random(f"{seed}/person/{number}")
    group = rng.choices(list(_GROUPS), list(_GROUPS.values()))[0]
    person = _person(number, group, rng)
    begin = BEGIN + timedelta(days=rng.random() * DAYS)
    return [item for item in _episodes(person, begin, rng) if (item.collected - BEGIN).days < DAYS]


def _person(number: int, group: str, rng: Random) -> Person:
    years = {
        "newborn": lambda: rng.uniform(0, 0.05),
        "child": lambda: rng.choice([rng.uniform(0.08, 5), rng.uniform(5, 17.9)]),
        "pregnant": lambda: rng.uniform(19, 42),
        "dialysis": lambda: min(90, max(25, rng.gauss(66, 14))),
    }.get(group, lambda: min(98, max(18.2, rng.gauss(62, 19))))()
    sex = "F" if group == "pregnant" else rng.choice("FM")
    birth = (BEGIN + timedelta(days=DAYS / 2) - timedelta(days=years * 365.25)).date()
    person = Person(number, sex, birth, group, rng, birth_known=rng.random() > 0.003)
    if group == "dialysis":
        person.chronic["dialysis"] = min(1.25, max(0.7, rng.gauss(1.0, 0.12)))
    if group not in {"newborn", "child", "pregnant"}:
        for name, share in CHRONIC.items():
            has = rng.random() < share * min(1.8, max(0.1, years / 60))
            if has and (name, group) != ("kidney disease", "dialysis"):
                person.chronic[name] = severity(rng, 0.35)
    return person


def severity(rng: Random, sigma: float = 0.5) -> float:
    """Return how bad it is: 1 in the middle, log-normal, never absurd."""
    return min(3.0, rng.lognormvariate(-0.1, sigma))


def _episodes(person: Person, begin: datetime, rng: Random) -> Iterator[Draw]:
    match person.group:
        case "outpatient":
            yield from _visits(person, begin, rng, "outpatient", (1, 4), (20, 150))
        case "pregnant":
            yield from _visits(person, begin, rng, "pregnant", (1, 4), (25, 60))
        case "dialysis":
            yield from _visits(person, BEGIN, rng, "dialysis", (10, 26), (13, 29))
        case "child":
            yield from _visits(person, begin, rng, "child", (1, 2), (1, 60))
        case "newborn":
            yield from _newborn(person, rng)
        case "emergency":
            yield from _emergency(person, begin, rng)
        case _:
            yield from _stay(person, begin, rng, [_attack("inpatient", begin, rng)], begin)


def _visits(
    person: Person, begin: datetime, rng: Random, group: str,
    count: tuple[int, int], gap: tuple[int, int],
) -> Iterator[Draw]:  # fmt: skip
    at = begin
    drug = rng.choices(["", "lithium", "digoxin"], [0.95, 0.02, 0.03])[0]
    for _ in range(rng.randint(*count)):
        at = _hour(at, rng, 6.5, 10.5)
        attack = _attack(group, at - timedelta(days=rng.uniform(0, 3)), rng, 0.75)
        attacks = [attack]
        if drug and rng.random() < 0.05:
            attacks.append(Attack("drug excess", severity(rng), at - timedelta(days=1)))
        yield _draw(person, at, group, attacks, rng, drug if group == "outpatient" else "")
        at += timedelta(days=rng.uniform(*gap))


def _newborn(person: Person, rng: Random) -> Iterator[Draw]:
    born = datetime(person.birth.year, person.birth.month, person.birth.day, tzinfo=UTC)
    attack = _attack("newborn", born + timedelta(days=2), rng, 0.6)
    at = born + timedelta(days=rng.uniform(0.5, 4))
    for _ in range(rng.randint(1, 3)):
        if at >= BEGIN:
            yield _draw(person, at, "newborn", [attack], rng)
        at += timedelta(days=rng.uniform(0.5, 1.2))


def _emergency(person: Person, begin: datetime, rng: Random) -> Iterator[Draw]:
    at = begin.replace(hour=0) + timedelta(hours=min(23.8, max(0.0, rng.gauss(14, 5))))
    attack = _attack("emergency", at - timedelta(hours=rng.uniform(2, 12)), rng)
    yield _draw(person, at, "emergency", [attack], rng)
    grave = attack.illness not in {"", "diarrhea", "vomiting", "inflammation"}
    if rng.random() < (0.8 if grave else 0.3):
        yield from _stay(person, at, rng, [attack], at)


def _stay(
    person: Person, begin: datetime, rng: Random, attacks: list[Attack], since: datetime
) -> Iterator[Draw]:
    at = begin
    if attacks[0].illness in {"ketoacidosis", "hyperosmolar"}:
        for _ in range(4):
            at += timedelta(hours=rng.uniform(2, 5))
            yield _draw(person, at, "inpatient", attacks, rng)
    for day in range(1, 2 + min(25, int(rng.expovariate(1 / 4.5)))):
        if rng.random() < 0.05:
            worse = _attack("inpatient", since + timedelta(days=day - 0.5), rng)
            attacks = [*attacks, worse]
        if rng.random() < 0.72:
            morning = _hour(since + timedelta(days=day), rng, 5.5, 7.5)
            at = max(morning, at + timedelta(hours=1.5))
            yield _draw(person, at, "inpatient", attacks, rng)


def _attack(group: str, began: datetime, rng: Random, mild: float = 1.0) -> Attack:
    weights = EPISODES[group]
    illness = rng.choices(list(weights), list(weights.values()))[0]
    return Attack(illness, severity(rng) * mild, began)


def _draw(
    person: Person, at: datetime, group: str, attacks: list[Attack], rng: Random, drug: str = ""
) -> Draw:
    orders = _ORDERS[group]
    panels = [name for name, share in orders.items() if rng.random() < share]
    panels = [*panels, *([drug] if drug else [])] or [next(iter(orders))]
    tests = list(dict.fromkeys(test for name in panels for test in PANELS[name]))
    attacks = [item for item in attacks if item.illness]
    return Draw(0, person, at.replace(microsecond=0), group, tests, attacks, drug)


def _hour(at: datetime, rng: Random, first: float, last: float) -> datetime:
    return at.replace(hour=0, minute=0, second=0) + timedelta(hours=rng.uniform(first, last))
