"""The values in a patient's blood at one moment, and what an analyzer makes of them."""

import math
from dataclasses import dataclass
from datetime import datetime
from random import Random

from .analytes import ANALYTES
from .illness import ILLNESSES
from .people import PREGNANT, TRIPLE, Person, charges, interval, spread

# What living people are found with, so that stacked illnesses stay believable (common practice).
_LIVING = {
    "sodium": (104, 182), "potassium": (1.6, 9.0), "bicarbonate": (3, 48), "chloride": (62, 145),
    "calcium": (0.9, 4.6), "albumin": (9, 56), "magnesium": (0.2, 3.5), "phosphate": (0.12, 5.5),
    "glucose": (0.5, 75), "creatinine": (9, 2200), "urea": (0.4, 95), "total_protein": (28, 125),
}  # fmt: skip


@dataclass(frozen=True)
class Attack:
    """One illness of one person: since when, how bad."""

    illness: str
    severity: float
    began: datetime


class _Effects:
    """All that is wrong with a person now, added up."""

    def __init__(self, person: Person, attacks: list[Attack], at: datetime) -> None:
        self.add: dict[str, float] = {}
        self.times: dict[str, float] = {}
        self.gap, self.sickness = 0.0, 1.0
        for name, severity in person.chronic.items():
            self._take(name, severity, 0.0)
        for attack in attacks:
            self._take(attack.illness, attack.severity, (at - attack.began).total_seconds() / 86400)
        if person.group == "pregnant":
            for name, factor in PREGNANT.items():
                self.times[name] = self.times.get(name, 1.0) * factor

    def _take(self, name: str, severity: float, day: float) -> None:
        illness = ILLNESSES[name]
        strength = illness.now(severity, day)
        for test, amount in illness.add.items():
            self.add[test] = self.add.get(test, 0.0) + amount * strength
        for test, factor in illness.times.items():
            self.times[test] = self.times.get(test, 1.0) * factor**strength
        self.gap += illness.gap * strength
        if strength > 0.2:
            self.sickness = max(self.sickness, illness.sickness)


def in_blood(
    person: Person, attacks: list[Attack], at: datetime, names: list[str], rng: Random
) -> dict[str, float]:
    """Return the values in the blood, in the units of the tests, before any measurement."""
    effects = _Effects(person, attacks, at)
    day_to_day = dict(zip(TRIPLE, charges(rng), strict=True))
    found = {
        name: _one(person, name, at, effects, day_to_day.get(name, rng.gauss(0, 1)))
        for name in dict.fromkeys([*TRIPLE, "albumin", *names])
    }
    _balance(found, effects)
    if "bilirubin_direct" in found and "bilirubin" in found:
        found["bilirubin_direct"] = min(found["bilirubin_direct"], 0.85 * found["bilirubin"])
    return {name: found[name] for name in names}


def _one(person: Person, name: str, at: datetime, effects: _Effects, z: float) -> float:
    item = ANALYTES[name]
    width = spread(item, interval(name, person.sex, person.age_days(at)))
    level = width.between * person.set_point(name)
    level += width.middle + width.within * effects.sickness * z
    value = (math.exp(level) if width.log else level) * effects.times.get(name, 1.0)
    value += effects.add.get(name, 0.0)
    if name == "calcium":  # what albumin carries (Payne, BMJ 1973;4:643)
        value += 0.02 * effects.add.get("albumin", 0.0)
    return living(name, value)


def _balance(found: dict[str, float], effects: _Effects) -> None:
    """Let chloride take up what sodium, bicarbonate and the other anions leave of the charges."""
    lost = effects.add.get("bicarbonate", 0.0)
    kept = 1.0 if lost >= 0 or found["bicarbonate"] > 3 else 0.7
    shift = effects.add.get("sodium", 0.0) - (lost + effects.gap) * kept
    found["chloride"] = living("chloride", found["chloride"] + shift)


def living(name: str, value: float) -> float:
    """Return the value, no further out than in a living person, and never below zero."""
    low, high = _LIVING.get(name, (0.02 * ANALYTES[name].measurable[0], math.inf))
    return min(max(value, low), high)


def measured(name: str, value: float, rng: Random) -> float:
    """Return what an analyzer finds: the value with its analytical variation."""
    return value * (1 + ANALYTES[name].analytical / 100 * rng.gauss(0, 1))
