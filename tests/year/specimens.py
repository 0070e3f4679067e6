"""Specimens on their way: transport, the analyzer they reach, what it would find unspoiled."""

from dataclasses import dataclass, field
from datetime import datetime, timedelta
from random import Random

from .analytes import ANALYTES
from .physiology import in_blood, measured
from .schedule import Draw

# Minutes from collection to receipt, by kind of patient (common practice, no source).
_TRANSIT = {"emergency": (6, 35), "inpatient": (15, 80), "outpatient": (30, 260)}
SPUN_LATE = 0.015  # share of outpatient tubes spun at the practice and sent on the next day

CONVENTIONAL = "CHEM-3"  # the emergency bench, in mg/dL and mEq/L
INDIRECT = "CHEM-1"  # its electrodes measure diluted specimens


@dataclass(frozen=True)
class Slip:
    """A number sent under a unit that is not its own: `factor` leads from the unit of the test to
    the number, `read` from the number to what a reader takes it for, in the unit of the test."""

    test: str
    unit: str
    factor: float
    read: float
    decimals: int


@dataclass
class Specimen:
    """One tube. `true` is what the analyzer would report unspoiled, `found` what it does report,
    both in the unit of the test and before rounding.

    `kinds` are the faults of the whole specimen; `spoiled` names, per test, the faults that touched
    its value. `slips` are the results that carry a wrong unit.
    """

    draw: Draw
    key: str
    type: str
    collected: datetime  # as the message says; a wrong label may differ from `draw.collected`
    received: datetime
    analysed: datetime
    analyzer: str
    true: dict[str, float] = field(default_factory=dict)
    found: dict[str, float] = field(default_factory=dict)
    hemoglobin: float = 0.0  # free, g/L
    bilirubin: float = 10.0  # umol/L, measured or not
    fat: float = 1.0  # triglyceride, mmol/L, measured or not
    in_vivo: bool = False
    indices: bool = True
    kinds: set[str] = field(default_factory=set)
    spoiled: dict[str, set[str]] = field(default_factory=dict)
    flags: dict[str, str] = field(default_factory=dict)
    slips: dict[str, Slip] = field(default_factory=dict)

    @property
    def conventional(self) -> bool:
        """Say whether its analyzer sends mass units."""
        return self.analyzer == CONVENTIONAL

    def change(self, name: str, value: float, kind: str) -> None:
        """Put another value in place of the one found, because of a fault."""
        if name in self.found:
            self.found[name] = max(0.0, value)
            self.spoiled.setdefault(name, set()).add(kind)


def specimen_of(draw: Draw, key: str, seed: int) -> Specimen:
    """Send a tube to an analyzer and measure it there, with nothing wrong yet."""
    rng = Random(f"{seed}/tube/{key}")
    transit = rng.uniform(*_TRANSIT.get(draw.group, (20, 150)))
    if draw.group == "outpatient" and rng.random() < SPUN_LATE:
        transit = rng.uniform(9 * 60, 26 * 60)
    received = draw.collected + timedelta(minutes=transit)
    urgent = draw.group == "emergency" or (draw.group == "inpatient" and rng.random() < 0.15)
    analyzer = CONVENTIONAL if urgent and rng.random() < 0.7 else rng.choice(["CHEM-1", "CHEM-2"])
    specimen = Specimen(
        draw,
        key,
        "PLAS" if draw.group in {"emergency", "inpatient", "newborn"} else "SER",
        draw.collected,
        received.replace(microsecond=0),
        (received + timedelta(minutes=rng.uniform(8, 45))).replace(microsecond=0),
        analyzer,
    )
    names = [name for name in draw.tests if name in ANALYTES]
    specimen.true = contents(specimen, draw, names, rng)
    specimen.found = dict(specimen.true)
    specimen.hemoglobin = _free_hemoglobin(draw.group, rng)
    specimen.indices = rng.random() > 0.003
    return specimen


def contents(specimen: Specimen, source: Draw, names: list[str], rng: Random) -> dict[str, float]:
    """Fill the tube with the blood of a draw; returns what the analyzer finds in it."""
    seen = [*names, "bilirubin", "triglyceride"]
    blood = in_blood(source.person, source.attacks, source.collected, seen, rng)
    specimen.bilirubin, specimen.fat = blood["bilirubin"], blood["triglyceride"]
    found = {name: measured(name, blood[name], rng) for name in names}
    if specimen.type == "SER" and "potassium" in found:
        found["potassium"] += 0.15  # set free by clotting (common practice, no source)
    return found


def _free_hemoglobin(group: str, rng: Random) -> float:
    """Free hemoglobin in g/L, log-normal: 14 % of specimens reach 0.2 and 3 % reach 0.9 g/L, of
    children's 33 % and 13 % (Ann Clin Biochem letter, 10.1177/0004563220978686)."""
    middle, sigma = (-2.28, 1.55) if group in {"child", "newborn"} else (-3.64, 1.88)
    return min(14.0, rng.lognormvariate(middle, sigma))
