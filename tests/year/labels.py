"""What is true of a specimen, in the form `verifier rules yield` reads."""

from datetime import datetime
from typing import Any

from .analytes import ANALYTES
from .harm import critical_limits, harm, is_severe, standing
from .illness import ILLNESSES
from .messages import read_as, shown, true_as_sent
from .physiology import Attack
from .specimens import Specimen

_INJURY = 1.4  # an acute illness raised creatinine this many times
_GAP = 5.0  # an acute illness added this much to the anion gap, mmol/L


def truth(specimen: Specimen) -> dict[str, Any]:
    """Return the label of one specimen: kinds of the whole, and per code of a result what it is."""
    results = {shown(specimen, name)[0]: _result(specimen, name) for name in specimen.found}
    return {
        "class": specimen.draw.group,
        "specimens": {
            specimen.key: {
                "kinds": sorted(specimen.kinds | _standing(specimen)),
                "results": results,
            }
        },
    }


def _standing(specimen: Specimen) -> set[str]:
    """Return what is so of the patient, and no fault."""
    draw, found = specimen.draw, set[str]()
    if _years(specimen) < 18:
        found.add("child")
    if sum(_effect(item, draw.collected, "gap") for item in draw.attacks) >= _GAP:
        found.add("anion gap")
    if specimen.fat * 88.57 >= 1000:
        found.add("very lipemic")
    if specimen.bilirubin >= 100:
        found.add("very icteric")
    return found


def _effect(attack: Attack, at: datetime, what: str) -> float:
    illness = ILLNESSES[attack.illness]
    strength = illness.now(attack.severity, (at - attack.began).total_seconds() / 86400)
    return illness.gap * strength if what == "gap" else illness.times.get(what, 1.0) ** strength


def _years(specimen: Specimen) -> float:
    return specimen.draw.person.age_days(specimen.draw.collected) / 365.25


def _limits(specimen: Specimen, name: str) -> tuple[float | None, float | None]:
    return critical_limits(name, _years(specimen), specimen.draw.person.sex, specimen.type)


def _result(specimen: Specimen, name: str) -> dict[str, Any]:
    text, true = true_as_sent(specimen, name)
    label: dict[str, Any] = {"true": text}
    kinds = set(_reasons(specimen, name, true))
    reported = read_as(specimen, name)
    if reported != true:
        kinds |= specimen.spoiled.get(name, set())
        label["harm"] = harm(name, true, reported, _limits(specimen, name))
    if kinds:
        label["kinds"] = sorted(kinds)
    return label


def _reasons(specimen: Specimen, name: str, true: float) -> set[str]:
    """Return for what true reasons a person should look at this result."""
    found, draw = set[str](), specimen.draw
    low, high = ANALYTES[name].measurable
    if standing(true, _limits(specimen, name)):
        found.add("critical")
    if is_severe(name, true):
        found.add("severe")
    if not low <= specimen.true[name] <= high:
        found.add("not measurable")
    if name == "creatinine":
        worse = [_effect(item, draw.collected, "creatinine") for item in draw.attacks]
        if worse and max(worse) >= _INJURY:
            found.add("kidney injury")
    return found
