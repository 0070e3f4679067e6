"""Faults of the laboratory rather than of one tube: they need the order of the year.

Numbers of events grow with the number of specimens; how often they happen is common practice
without source, and above what a good laboratory sees.

| mishap | per specimens | what |
|---|---|---|
| mix-up | 1 pair in 2,000 | two like patients within two hours swap contents |
| unit slip | 1 stretch in 3,000 | 2 to 8 hours one test of one analyzer carries a wrong unit |
| calibration | 1 stretch in 1,500 | a test drifts to 1 to 3.5 allowable errors in 8 to 48 h |
| stuck probe | 1 run in 2,500 | the electrodes repeat what they read, 2 to 7 specimens long |
| carry-over | 1 stretch in 5,000 | 0.3 to 4 % of the specimen before, 8 to 24 h |
"""

from collections.abc import Iterator
from datetime import timedelta
from random import Random

from .analytes import ANALYTES, allowable
from .specimens import Slip, Specimen, contents

SALTS = ("sodium", "potassium", "chloride")
_DRIFTS = ("sodium", "potassium", "chloride", "bicarbonate", "creatinine", "glucose", "calcium",
           "urea", "albumin", "magnesium", "phosphate", "alt", "bilirubin", "crp")  # fmt: skip

# The first eight are numbers in mg/dL or g/dL under an SI unit, then the reverse, then urea
# nitrogen under the name of urea.
_SLIPS = (
    Slip("glucose", "mmol/L", 1 / 0.0555074, 1, 0),
    Slip("creatinine", "umol/L", 1 / 88.4017, 1, 2),
    Slip("calcium", "mmol/L", 1 / 0.249513, 1, 1),
    Slip("albumin", "g/L", 0.1, 1, 1),
    Slip("magnesium", "mmol/L", 1 / 0.411438, 1, 1),
    Slip("phosphate", "mmol/L", 1 / 0.322851, 1, 1),
    Slip("bilirubin", "umol/L", 1 / 17.1036, 1, 1),
    Slip("urea", "mmol/L", 1 / 0.356964, 1, 0),
    Slip("glucose", "mg/dL", 1, 0.0555074, 1),
    Slip("creatinine", "mg/dL", 1, 88.4017, 0),
    Slip("calcium", "mg/dL", 1, 0.249513, 2),
    Slip("urea", "mg/dL", 1 / 0.356964, 0.166511, 0),
)


def mix_up(specimens: list[Specimen], rng: Random, rate: float) -> None:
    """Put each other's blood into pairs of tubes drawn about the same time in the same kind of
    place; each keeps its label and what was ordered under it."""
    for _ in range(_count(len(specimens), 2000 / rate, rng)):
        for _ in range(50):  # until two strangers are found
            at = rng.randrange(len(specimens) - 1)
            one = specimens[at]
            near = [item for item in specimens[at + 1 : at + 12] if _confusable(one, item)]
            if near:
                other = rng.choice(near)
                _fill(one, other, rng)
                _fill(other, one, rng)
                break


STRANGER = "mix-up, never seen"


def name_strangers(specimens: list[Specimen]) -> None:
    """Give the mix-up of somebody who was never seen before a kind of its own.

    Such a specimen is, to the byte, what a patient with these values would have sent: no rule of
    one specimen can tell the two apart.
    """
    seen: set[int] = set()
    for item in specimens:
        if "mix-up" in item.kinds and item.draw.person.number not in seen:
            for kinds in (item.kinds, *item.spoiled.values()):
                if "mix-up" in kinds:
                    kinds.remove("mix-up")
                    kinds.add(STRANGER)
        seen.add(item.draw.person.number)


def _fill(specimen: Specimen, other: Specimen, rng: Random) -> None:
    found = contents(specimen, other.draw, list(specimen.found), rng)
    for name, value in found.items():
        specimen.change(name, value, "mix-up")
    specimen.kinds.add("mix-up")


def _confusable(one: Specimen, other: Specimen) -> bool:
    return (
        one.draw.group == other.draw.group
        and one.draw.person is not other.draw.person
        and not one.kinds
        and not other.kinds
        and one.type == other.type
        and abs(one.draw.collected - other.draw.collected) < timedelta(hours=2)
    )


def slip_units(specimens: list[Specimen], rng: Random, rate: float) -> None:
    """Put a wrong unit on one test of one analyzer for some hours."""
    for at in _moments(specimens, 3000 / rate, rng):
        slip = rng.choice(_SLIPS)
        for item in _stretch(specimens, at, timedelta(hours=rng.uniform(2, 8))):
            if slip.test in item.found and not item.conventional:
                item.slips[slip.test] = slip
                item.spoiled.setdefault(slip.test, set()).add("unit slip")


def drift(specimens: list[Specimen], rng: Random, rate: float) -> None:
    """Let the calibration of one test drift, up or down, and jump back when it is renewed."""
    for at in _moments(specimens, 1500 / rate, rng):
        name = rng.choice(_DRIFTS)
        most = rng.choice((-1, 1)) * rng.uniform(1, 3.5)
        items = list(_stretch(specimens, at, timedelta(hours=rng.uniform(8, 48))))
        for place, item in enumerate(items, 1):
            if name in item.found:
                true = item.found[name]
                middle = sum(ANALYTES[name].men) / 2
                size = most * place / len(items) * allowable(name, middle) / middle
                item.change(name, true * (1 + size), "calibration")


def repeat_values(specimens: list[Specimen], rng: Random, rate: float) -> None:
    """Let the electrodes say again what they said before."""
    for at in _moments(specimens, 2500 / rate, rng):
        names = SALTS if rng.random() < 0.5 else (rng.choice(SALTS),)
        first, *rest = list(_stretch(specimens, at, timedelta(days=5)))[:40]
        wanted = rng.randint(2, 7)
        kept = {name: first.found[name] for name in names if name in first.found}
        for item in rest[:wanted]:
            for name, value in kept.items():
                if name in item.found:
                    item.change(name, value, "stuck probe")


def carry_over(specimens: list[Specimen], rng: Random, rate: float) -> None:
    """Let a worn probe bring some of the specimen before."""
    for at in _moments(specimens, 5000 / rate, rng):
        share = rng.uniform(0.003, 0.04)
        items = list(_stretch(specimens, at, timedelta(hours=rng.uniform(8, 24))))
        before = [dict(item.found) for item in items]
        for item, earlier in zip(items[1:], before, strict=False):
            for name in item.found.keys() & earlier.keys() - set(SALTS):
                value = item.found[name] * (1 - share) + earlier[name] * share
                item.change(name, value, "carry-over")


def _count(specimens: int, each: float, rng: Random) -> int:
    whole, rest = divmod(specimens, each)
    return int(whole) + (rng.random() < rest / each)


def _moments(specimens: list[Specimen], each: float, rng: Random) -> list[int]:
    """Return at which specimens the events begin."""
    return [rng.randrange(len(specimens)) for _ in range(_count(len(specimens), each, rng))]


def _stretch(specimens: list[Specimen], at: int, length: timedelta) -> Iterator[Specimen]:
    """Yield what the analyzer of specimen `at` measures from then on."""
    first = specimens[at]
    for item in specimens[at:]:
        if item.analysed - first.analysed > length:
            return
        if item.analyzer == first.analyzer:
            yield item
