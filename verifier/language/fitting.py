"""Whom a limit is for, and what is said where it is for nobody."""

from typing import Protocol

from verifier.language.scene import Scene
from verifier.language.truth import Missing, Truth, Unknown, merged


class ForPatients(Protocol):
    """A limit of a population, "" for everybody."""

    @property
    def population(self) -> str: ...


def fits(row: ForPatients, scene: Scene) -> Truth:
    """Return whether a limit is for the patient."""
    return scene.populations[row.population] if row.population else True


def limit_words(kind: str) -> str:
    """Return what people call a limit of a kind; “no possible limit” would say something else."""
    return "possible-value limit" if kind == "possible" else f"{kind} limit"


def no_limit(label: str, kind: str) -> Unknown:
    """Return the unknown of a patient no row fits."""
    text = f"there is no {limit_words(kind)} of {label} for this patient"
    return Unknown(Missing(f"{kind} limit", "no limit", text))


def undecided(fitting: Truth, found: Truth, none: Unknown) -> Unknown:
    """No row certainly fits: say what would have to be known."""
    gaps = [item for item in (fitting, found) if isinstance(item, Unknown)]
    return merged(*gaps) if gaps else none
