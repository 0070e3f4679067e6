"""When a wrong result is dangerous. The definition stands in the docstring of the package.

Critical limits are the laboratory's, so those of the shipped rules, written out a second time and
compared with them in a test: Kost, JAMA 1990;263:704 (adults, mean of US limits) and Pediatrics
1991;88:597 (children's hospitals); Campbell, CCLM 2019;57:89 (potassium of infants); RCPath G158,
2017, from memory (CK, lithium, amylase, children's urea and creatinine); hospitals' published lists
(ALT, AST, troponin, digoxin, newborn bilirubin, children's phosphate).

Treatment zones, one threshold a side:

* sodium 130: "moderate hyponatremia", Spasovski, Eur J Endocrinol 2014;170:G1; 150: from memory;
* potassium 3.0 and 5.5: from memory, UK Kidney Association hyperkalemia guideline 2020 (5.5);
* glucose 3.9: "level 1 hypoglycemia", American Diabetes Association, Standards of Care; 13.9: the
  same, 250 mg/dL, ketones are looked for;
* calcium 1.9 and 3.0: from memory, Society for Endocrinology emergency guidance 2016;
* lipase and amylase three times the upper limit: revised Atlanta criteria, Gut 2013;62:102;
* lactate 4: Surviving Sepsis Campaign, Intensive Care Med 2018;44:925;
* troponin 26 ng/L, digoxin 2.6 nmol/L, lithium 1.2 mmol/L, triglyceride 10, CK 1000, ALT and AST
  400, bicarbonate 15 and 35, phosphate 0.5 and 2.5, magnesium 0.5 and 1.5, urea 30: common
  practice, no source.
Chloride, protein, lipids and iron have none: nobody is treated for these alone within a day.
"""

from typing import Literal

from .analytes import allowable

Harm = Literal["none", "beyond allowable", "critical"]
Limits = dict[str, tuple[float | None, float | None]]

# (below this, above that) is critical. "1.5 or above" is written as above 1.4999.
ADULT: Limits = {
    "sodium": (120, 158),
    "potassium": (2.8, 6.2),
    "chloride": (75, 126),
    "bicarbonate": (11, 40),
    "urea": (None, 37.1),
    "creatinine": (None, 654),
    "glucose": (2.6, 26.9),
    "calcium": (1.65, 3.22),
    "magnesium": (0.41, 2.02),
    "phosphate": (0.39, 2.87),
    "urate": (None, 773),
    "bilirubin": (None, 257),
    "alt": (None, 525),
    "ast": (None, 600),
    "ck": (None, 4999.9),
    "amylase": (None, 599.9),
    "lactate": (None, 3.4),
    "lithium": (None, 1.4999),
    "digoxin": (None, 3.0),
}
CHILD: Limits = ADULT | {
    "sodium": (121, 156),
    "potassium": (2.8, 6.4),
    "bicarbonate": (11, 39),
    "glucose": (2.6, 24.7),
    "calcium": (1.62, 3.17),
    "magnesium": (0.45, 1.77),
    "urate": (None, None),
    "amylase": (None, None),
    "lithium": (None, None),
    "digoxin": (None, None),
}
_BANDS: list[tuple[float, Limits]] = [  # up to this age in years
    (28 / 365.25, {"glucose": (1.8, 18.2)}),
    (31 / 365.25, {"bilirubin": (None, 222.4)}),
    (3, {"phosphate": (0.807, 2.87)}),
    (13, {"phosphate": (0.645, 2.87)}),
    (18, {"phosphate": (0.484, 2.87)}),
    (16, {"urea": (None, 9.9999), "creatinine": (None, 199.9)}),
]
_TROPONIN = {"F": 16, "M": 34}
ZONES: Limits = {
    "sodium": (130, 150),
    "potassium": (3.0, 5.5),
    "bicarbonate": (15, 35),
    "urea": (None, 30),
    "glucose": (3.9, 13.9),
    "calcium": (1.9, 3.0),
    "magnesium": (0.5, 1.5),
    "phosphate": (0.5, 2.5),
    "alt": (None, 400),
    "ast": (None, 400),
    "ck": (None, 1000),
    "amylase": (None, 360),
    "lipase": (None, 180),
    "triglyceride": (None, 10),
    "lactate": (None, 4),
    "troponin": (None, 26),
    "lithium": (None, 1.2),
    "digoxin": (None, 2.6),
}
KDIGO_RATIO, KDIGO_RISE = 1.5, 26.5


def critical_limits(
    name: str, age: float, sex: str, specimen: str = "SER"
) -> tuple[float | None, float | None]:
    """Return the critical limits of a test for somebody of `age` years."""
    if name == "troponin":
        return (None, _TROPONIN[sex] if age >= 18 else None)
    if name == "potassium" and age < 0.5:
        return (2.8, 7.0 if specimen == "SER" else 6.5)
    if name == "bilirubin" and age < 1 / 365.25:
        return (None, 171.1)
    for until, limits in _BANDS:
        if age < until and name in limits:
            return limits[name]
    return (CHILD if age < 18 else ADULT).get(name, (None, None))


def standing(value: float, limits: tuple[float | None, float | None]) -> int:
    """Return -1 below, 0 within, 1 above."""
    low, high = limits
    return -1 if low is not None and value < low else int(high is not None and value > high)


def is_severe(name: str, value: float) -> bool:
    """Say whether a value lies in a treatment zone."""
    return name in ZONES and standing(value, ZONES[name]) != 0


def harm(
    name: str, true: float, reported: float, limits: tuple[float | None, float | None]
) -> Harm:
    """Return what a wrong result can do, given the critical limits; see the package's docstring."""
    if standing(true, limits) != standing(reported, limits):
        return "critical"
    off, allowed = abs(reported - true), allowable(name, true)
    zone = ZONES.get(name, (None, None))
    if standing(true, zone) != standing(reported, zone) and off > 2 * allowed:
        return "critical"
    if name == "creatinine" and off > KDIGO_RISE and _ratio(true, reported) >= KDIGO_RATIO:
        return "critical"
    return "beyond allowable" if off > allowed else "none"


def _ratio(one: float, other: float) -> float:
    low, high = sorted((one, other))
    return high / low if low > 0 else float("inf")
