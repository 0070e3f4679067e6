"""Faults of known truth: how often, how bad, and what each does to the values.

| fault | rate | size | source |
|---|---|---|---|
| hemolysis | as the index spreads in routine | see `hemolysis` | see there |
| K-EDTA | 0.1 % gross, 0.1 % weak | 0.7 to 4, 0.05 to 0.5 mmol/L EDTA | frequency: a quarter of the hyperkalemic, half undetected (Cornes, Ann Clin Biochem 2008;45:601; 28 of 28,471 gross) |
| infusion | 0.4 % of hospital specimens | 5, 10, 20 %, saline or 5 % dextrose | rates: common practice, no source |
| mix-up | 0.1 % of specimens, in pairs | all results | common practice, no source |
| delayed separation | 1 % of outpatient, 0.2 % of other | 8 to 30 h | rates: common practice |
| short sample | 0.4 % | 5 to 70 % too little | rates, flag in 70 %: common practice |
| lipid infusion | 0.1 % of inpatients | triglyceride 12 to 40 mmol/L | 0.5 to 2.5 % of specimens are lipemic (Nikolac, Biochem Med 2014;24:57) |

Rates are well above those of a good laboratory where no source gives one, so that a year holds
enough of each to count.
"""  # noqa: E501

import math
from collections.abc import Callable
from datetime import timedelta
from random import Random

from .specimens import INDIRECT, Specimen

HEMOLYZED = 0.5  # g/L free hemoglobin from which a specimen counts as hemolyzed
SALINE = {"sodium": 154.0, "chloride": 154.0}
DEXTROSE = {"glucose": 277.5}  # 5 % dextrose, mmol/L
_RIGHT_LABEL = 0.75  # share of delayed specimens whose collection time is known
Effect = Callable[[float], float]


def hemolysis(specimen: Specimen, rng: Random) -> None:
    """Let free hemoglobin act.

    Potassium rises by 0.23 to 0.51 mmol/L per g/L, each specimen by its own (CCLM 2025;63:2198;
    Mansour 2009). The others at the thresholds of Sonntag, J Clin Chem Clin Biochem 1986;24:127,
    taken as a change of 10 % of a common value; protein, magnesium and phosphate from memory.
    """
    free = specimen.hemoglobin
    if specimen.in_vivo or free < 0.02:
        return
    kind = "hemolysis" if free >= HEMOLYZED else "slight hemolysis"
    slope = rng.uniform(0.23, 0.51)
    effects: dict[str, Effect] = {
        "potassium": lambda x: x + slope * free,
        "ldh": lambda x: x + 80 * free,
        "ast": lambda x: x + 2.0 * free,
        "alt": lambda x: x + 0.8 * free,
        "ck": lambda x: x + 4 * free,
        "bilirubin": lambda x: x * (1 - min(0.6, 0.125 * free)),
        "bilirubin_direct": lambda x: x * (1 - min(0.6, 0.125 * free)),
        "alp": lambda x: x * (1 - min(0.5, 0.067 * free)),
        "ggt": lambda x: x * (1 - min(0.4, 0.033 * free)),
        "total_protein": lambda x: x + 0.8 * free,
        "magnesium": lambda x: x + 0.02 * free,
        "phosphate": lambda x: x + 0.03 * free,
    }
    _apply(specimen, effects, kind)
    if free >= HEMOLYZED:
        specimen.kinds.add(kind)


def edta(specimen: Specimen, dose: float) -> None:
    """Let K-EDTA act; `dose` is mmol/L EDTA in the specimen.

    At 0.19 mmol/L potassium +0.54 mmol/L, calcium -1 %, magnesium -2.4 %, phosphatase -4 % ("kEDTA
    Sample Contamination: A Reappraisal", 2019). Between there and a tube full of EDTA, in which
    calcium and magnesium are all but gone, the curves are ours (no source); iron falls as well
    (contaminated heparin specimens, PMC4210256).
    """
    kind = "K-EDTA gross" if dose >= 0.7 else "K-EDTA weak"
    effects: dict[str, Effect] = {
        "potassium": lambda x: x + 2.84 * dose,
        "calcium": lambda x: x / (1 + (dose / 1.6) ** 2),
        "magnesium": lambda x: x / (1 + (dose / 1.2) ** 2),
        "alp": lambda x: x / (1 + 0.22 * dose),
        "iron": lambda x: x * math.exp(-0.3 * dose),
    }
    _apply(specimen, effects, kind)
    specimen.kinds.add(kind)


def infusion(specimen: Specimen, share: float, fluid: str) -> None:
    """Mix the specimen with an infusion: what is in it comes in, everything else is thinned."""
    content = {"saline": SALINE, "dextrose": DEXTROSE}[fluid]
    kind = f"{fluid} {share:.0%}".replace("%", " %")
    for name, value in specimen.found.items():
        specimen.change(name, value * (1 - share) + content.get(name, 0.0) * share, kind)
    specimen.hemoglobin *= 1 - share
    specimen.kinds.add(kind)


def delay(specimen: Specimen, hours: float, rng: Random) -> None:
    """Leave the specimen unspun at room temperature.

    On the clot: glucose -30 % in 24 h, potassium +52 % and iron +17 % in 48 h, LDH +31 % in 24 h,
    chloride -3 % in 8 h (Laessig, AJCP 1976;66:598); phosphate x 1.5 in 48 h (Lee, Osong Public
    Health Res Perspect 2016;7:90). Glucose falls faster in others' hands, 5 to 7 % an hour (from
    memory: WHO), so each specimen has a rate of its own between the two.
    """
    loss = rng.uniform(0.015, 0.06)
    specimen.received += timedelta(hours=hours)
    specimen.analysed += timedelta(hours=hours)
    if rng.random() > _RIGHT_LABEL:
        specimen.collected = specimen.received - timedelta(minutes=rng.uniform(2, 20))
        specimen.collected = specimen.collected.replace(microsecond=0)
    effects: dict[str, Effect] = {
        "glucose": lambda x: x * math.exp(-loss * min(hours, 20)),
        "potassium": lambda x: x * (1 + 0.52 * hours / 48),
        "phosphate": lambda x: x * (1 + 0.5 * hours / 48),
        "ldh": lambda x: x * (1 + 0.31 * hours / 24),
        "iron": lambda x: x * (1 + 0.17 * hours / 48),
        "chloride": lambda x: x * (1 - 0.03 * min(hours / 8, 1)),
    }
    _apply(specimen, effects, "delayed separation")
    specimen.kinds.add("delayed separation")


def short(specimen: Specimen, share: float, rng: Random) -> None:
    """Let the probe draw too little: everything reads low by `share`; most probes notice."""
    kind = "short sample flagged" if rng.random() < 0.7 else "short sample unnoticed"
    for name, value in specimen.found.items():
        specimen.change(name, value * (1 - share), kind)
        if kind.endswith("flagged"):
            specimen.flags[name] = "SHORT"
    specimen.hemoglobin *= 1 - share
    specimen.kinds.add(kind)


def cloudiness(specimen: Specimen) -> float:
    """Let lipids displace water; returns the lipemia index (triglycerides in mg/dL).

    Indirect electrodes read the salts of the whole volume: water in percent is 99.1 - 1.03 lipid -
    0.73 protein in g/dL (from memory: Waugh 1969), 93 in healthy people.
    """
    index = specimen.fat * 88.57
    if index >= 1000 and specimen.analyzer == INDIRECT:
        lost = 1.03 * (index - 150) / 1000 / 93
        salts = ("sodium", "potassium", "chloride")
        _apply(specimen, {name: lambda x: x * (1 - lost) for name in salts}, "lipemia")
        specimen.kinds.add("lipemia")
    return index


def yellow(specimen: Specimen, rng: Random) -> float:
    """Let bilirubin act on enzymatic creatinine; returns the icterus index in umol/L.

    Above 255 umol/L -13.4 % on average, from -36 to +9 % (CCLM 2019, 100 sera against LC-MS/MS).
    """
    bilirubin = specimen.bilirubin
    if bilirubin > 255:
        change = rng.gauss(-0.134, 0.115)
        _apply(specimen, {"creatinine": lambda x: x * (1 + change)}, "icterus")
        specimen.kinds.add("icterus")
    return bilirubin


def _apply(specimen: Specimen, effects: dict[str, Effect], kind: str) -> None:
    for name, effect in effects.items():
        if name in specimen.found:
            specimen.change(name, effect(specimen.found[name]), kind)
