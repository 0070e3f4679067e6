"""Who the patients are and where their own values lie when they are well.

Between-person variation is what remains of a published reference interval after the within-person
and the analytical variation (Harris, Clin Chem 1974;20:1535, from memory): the interval of healthy
people spans 3.92 standard deviations of all three together.

Children: creatinine and albumin CALIPER (Colantonio, Clin Chem 2012;58:854) and bicarbonate from
memory; alkaline phosphatase from a reproduced pediatric handbook table; calcium of a Nordic
hospital; potassium and phosphate of a British hospital's list. Pregnancy: Abbassi-Ghanavati,
Obstet Gynecol 2009;114:1326, from memory, as factors on the adult middle.
"""

import math
from dataclasses import dataclass, field
from datetime import date, datetime
from random import Random

from .analytes import ANALYTES, Analyte

Interval = tuple[float, float]
DAYS = 365.25

# Upper end of an age band in days, then boys and girls.
_CHILDREN: dict[str, list[tuple[float, Interval, Interval]]] = {
    "creatinine": [
        (15, (28, 81), (28, 81)),
        (2 * DAYS, (9, 32), (9, 32)),
        (5 * DAYS, (18, 38), (18, 38)),
        (12 * DAYS, (27, 54), (27, 54)),
        (15 * DAYS, (40, 72), (40, 72)),
        (18 * DAYS, (55, 95), (43, 74)),
    ],
    "alp": [
        (60, (95, 368), (95, 368)),
        (2 * DAYS, (115, 460), (115, 460)),
        (10 * DAYS, (115, 391), (115, 391)),
        (12 * DAYS, (115, 336), (115, 437)),
        (14 * DAYS, (127, 403), (92, 336)),
        (16 * DAYS, (79, 446), (78, 212)),
        (18 * DAYS, (58, 331), (35, 124)),
    ],
    "calcium": [
        (5, (2.10, 2.80), (2.10, 2.80)),
        (0.5 * DAYS, (2.25, 2.70), (2.25, 2.70)),
        (DAYS, (2.40, 2.80), (2.40, 2.80)),
        (5 * DAYS, (2.30, 2.64), (2.30, 2.64)),
        (13 * DAYS, (2.24, 2.60), (2.24, 2.60)),
        (18 * DAYS, (2.10, 2.51), (2.10, 2.51)),
    ],
    "potassium": [(DAYS, (3.5, 6.0), (3.5, 6.0)), (18 * DAYS, (3.3, 5.5), (3.3, 5.5))],
    "phosphate": [
        (28, (1.6, 2.7), (1.6, 2.7)),
        (DAYS, (1.2, 2.7), (1.2, 2.7)),
        (5 * DAYS, (1.1, 2.4), (1.1, 2.4)),
        (15 * DAYS, (1.05, 1.7), (1.05, 1.7)),
    ],
    "bicarbonate": [
        (60, (17.2, 23.6), (17.2, 23.6)),
        (2 * DAYS, (19, 24), (19, 24)),
        (18 * DAYS, (18, 25), (18, 25)),
    ],
    "albumin": [
        (6, (26, 36), (26, 36)),
        (3 * DAYS, (34, 42), (34, 42)),
        (6 * DAYS, (35, 52), (35, 52)),
        (15 * DAYS, (37, 56), (37, 56)),
    ],
    "urea": [(DAYS, (0.8, 5.5), (0.8, 5.5)), (18 * DAYS, (2.5, 6.5), (2.5, 6.5))],
    "total_protein": [(DAYS, (44, 68), (44, 68)), (6 * DAYS, (56, 74), (56, 74))],
    "bilirubin": [(15, (20, 220), (20, 220)), (9 * DAYS, (1.5, 7), (1.5, 7))],
    "glucose": [(28, (2.8, 5.6), (2.8, 5.6)), (18 * DAYS, (3.6, 6.6), (3.6, 6.6))],
    "ldh": [(28, (200, 700), (200, 700)), (12 * DAYS, (150, 350), (150, 350))],
    "urate": [(12 * DAYS, (100, 300), (100, 300))],
    "ast": [(28, (25, 110), (25, 110)), (9 * DAYS, (20, 50), (20, 50))],
}

PREGNANT = {
    "sodium": 0.975, "creatinine": 0.72, "urea": 0.62, "albumin": 0.78, "total_protein": 0.87,
    "bicarbonate": 0.83, "calcium": 0.95, "alp": 1.8, "cholesterol": 1.35, "triglyceride": 2.0,
    "urate": 0.85, "iron": 0.9, "ferritin": 0.4, "transferrin": 1.4, "bilirubin": 0.6,
}  # fmt: skip


def interval(name: str, sex: str, age_days: float) -> Interval:
    """Return the interval of healthy people of this sex and age."""
    for until, boys, girls in _CHILDREN.get(name, ()):
        if age_days < until:
            return boys if sex == "M" else girls
    item = ANALYTES[name]
    return item.men if sex == "M" else item.women


@dataclass(frozen=True)
class Spread:
    """A healthy middle and the three variations; on the logarithm where `log`."""

    middle: float
    between: float
    within: float
    analytical: float
    log: bool


def spread(item: Analyte, found: Interval) -> Spread:
    """Part the width of a reference interval into its three variations."""
    within, analytical = item.within / 100, item.analytical / 100
    if item.log:
        low, high = math.log(found[0]), math.log(found[1])
        within = math.sqrt(math.log(1 + within**2))
        middle = (low + high) / 2
    else:
        low, high = found
        middle = (low + high) / 2
        within, analytical = within * middle, analytical * middle
    total = (high - low) / 3.92
    rest = total**2 - within**2 - analytical**2
    return Spread(middle, math.sqrt(max(rest, (0.25 * total) ** 2)), within, analytical, item.log)


@dataclass
class Person:
    """One patient. `own` are how many standard deviations a healthy value lies from the middle."""

    number: int
    sex: str
    birth: date
    group: str
    rng: Random
    chronic: dict[str, float] = field(default_factory=dict)
    own: dict[str, float] = field(default_factory=dict)
    birth_known: bool = True

    def age_days(self, at: datetime) -> float:
        """Return the age in days."""
        return (at.date() - self.birth).days

    def set_point(self, name: str) -> float:
        """Return where in the population the patient stands; sodium, chloride and bicarbonate
        go together, as charges have to."""
        if name not in self.own:
            if name in TRIPLE:
                self.own |= dict(zip(TRIPLE, charges(self.rng), strict=True))
            else:
                self.own[name] = max(-2.6, min(2.6, self.rng.gauss(0, 1)))
        return self.own[name]


TRIPLE = ("sodium", "chloride", "bicarbonate")


def charges(rng: Random) -> tuple[float, float, float]:
    """Return three standard normal numbers: chloride follows sodium (0.68) and yields to
    bicarbonate (-0.45), so that the anion gap of healthy people spans the 9 mmol/L it is published
    with, 7 to 16."""
    sodium, bicarbonate, own = (rng.gauss(0, 1) for _ in range(3))
    chloride = 0.68 * sodium - 0.45 * bicarbonate
    chloride += math.sqrt(1 - 0.68**2 - 0.45**2) * own
    return sodium, chloride, bicarbonate
