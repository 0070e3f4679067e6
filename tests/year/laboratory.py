"""The year: draws become specimens, specimens meet their faults, in the order of analysis."""

from collections.abc import Iterator
from datetime import timedelta
from random import Random

from . import faults, mishaps
from .schedule import Draw, draws_of
from .specimens import Specimen, specimen_of


def year(seed: int, count: int, rate: float = 1.0) -> list[Specimen]:
    """Return `count` specimens of the year that `seed` names, in the order of their analysis.

    `rate` multiplies how often every fault but the natural ones (hemolysis, fat, bilirubin)
    happens: a year rich in faults counts what rules catch, its share released means nothing.
    """
    draws = _draws(seed, count)
    specimens = [specimen_of(draw, f"T{number:06}", seed) for number, draw in enumerate(draws, 1)]
    rng = Random(f"{seed}/faults")
    for item in specimens:
        _late(item, rng, rate)
    specimens.sort(key=lambda item: (item.analysed, item.key))
    mishaps.mix_up(specimens, rng, rate)
    for item in specimens:
        _spoil(item, rng, rate)
    mishaps.carry_over(specimens, rng, rate)
    mishaps.drift(specimens, rng, rate)
    mishaps.repeat_values(specimens, rng, rate)
    mishaps.slip_units(specimens, rng, rate)
    mishaps.name_strangers(specimens)
    return specimens


def _draws(seed: int, count: int) -> list[Draw]:
    found: list[Draw] = []
    for number in _numbers():
        found.extend(draws_of(number, seed))
        if len(found) >= count:
            break
    del found[count:]
    return sorted(found, key=lambda draw: (draw.collected, draw.person.number))


def _numbers() -> Iterator[int]:
    number = 0
    while True:
        number += 1
        yield number


def _late(item: Specimen, rng: Random, rate: float) -> None:
    share = 0.01 if item.draw.group == "outpatient" else 0.002
    usual = item.received - item.draw.collected < timedelta(hours=6)
    if usual and rng.random() < share * rate:
        faults.delay(item, rng.uniform(8, 30), rng)


def _spoil(item: Specimen, rng: Random, rate: float) -> None:
    """Let one tube meet what can happen to a tube, each by its own chance."""
    in_house = item.draw.group in {"emergency", "inpatient", "dialysis"}
    if in_house and rng.random() < 0.004 * rate:
        share = rng.choice((0.05, 0.10, 0.20))
        faults.infusion(item, share, rng.choice(("saline", "dextrose")))
    if rng.random() < 0.001 * rate:
        faults.edta(item, rng.uniform(0.7, 4.0))
    if rng.random() < 0.001 * rate:
        faults.edta(item, rng.uniform(0.05, 0.5))
    if item.draw.group == "inpatient" and rng.random() < 0.001 * rate:
        item.fat = rng.uniform(12, 40)
    faults.hemolysis(item, rng)
    faults.cloudiness(item)
    faults.yellow(item, rng)
    if rng.random() < 0.004 * rate:
        faults.short(item, rng.uniform(0.05, 0.7), rng)
