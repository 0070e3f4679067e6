"""Change limits: how far a result may be from the one before.

In the unit of the test, in percent of the earlier value, or as a factor: a log-normal reference
change value lets a result rise and fall by the same factor, so by more percent up than down.
"""

from datetime import timedelta
from decimal import Decimal
from typing import Literal, TypeAlias

from msgspec import Struct

from verifier.facts.verdicts import Fact
from verifier.language.comparing import Run
from verifier.language.earlier import Past
from verifier.language.fitting import fits, no_limit, undecided
from verifier.language.scene import ARITHMETIC, COMPARISON, Quantity, Scene
from verifier.language.source import Span
from verifier.language.truth import Missing, Truth, Unknown, both, either
from verifier.language.typed import LimitCheck

_HUNDRED = Decimal(100)
Measure: TypeAlias = Literal["difference", "percent", "factor"]


class ChangeLimit(Struct, frozen=True):
    """One change limit of one test.

    `measure` says what `most` is: a difference, percent of the earlier value, or the factor
    between the two. `each` is a time in microseconds where `most` counts for each such time
    between the two collections.
    """

    population: str
    most: Decimal
    measure: Measure
    each: Decimal | None
    past: Past
    window: timedelta
    text: str
    source: str
    span: Span


def change_check(changes: list[ChangeLimit], run: Run, label: str) -> LimitCheck:
    """Return the comparison of a quantity with the change limits of its test."""
    fixed, none = tuple(changes), no_limit(label, "change")

    def truth(scene: Scene) -> Truth:
        value = run(scene)
        found: Truth = False
        fitting: Truth = False
        for row in fixed:
            belongs = fits(row, scene)
            if belongs is False:
                continue
            fitting = either(fitting, belongs)
            found = either(found, both(belongs, _changed(row, value, scene, label)))
        return found if found is True or fitting is True else undecided(fitting, found, none)

    def limit(scene: Scene) -> Fact | None:
        value = run(scene)
        for row in fixed:
            if both(fits(row, scene), _changed(row, value, scene, label)) is True:
                return Fact("change limit", row.text, source=row.source)
        return Fact("change limit", fixed[0].text, source=fixed[0].source)

    return LimitCheck(truth, limit)


def _changed(row: ChangeLimit, value: Quantity, scene: Scene, label: str) -> Truth:
    before = row.past.previous(scene)
    if isinstance(before, Unknown):
        return before
    if isinstance(value, Unknown):
        return value
    if not isinstance(value, Decimal) or not isinstance(before, Decimal):
        text = f"the change of {label} can not be told from a censored value"
        return Unknown(Missing(label, "censored", text))
    if row.measure == "factor":
        return _beyond_factor(value, before, row.most, label)
    # |value - before| / before / days > most %, without the divisions, so that the edge is exact
    difference, most = abs(ARITHMETIC.subtract(value, before)), row.most
    if row.measure == "percent":
        difference = ARITHMETIC.multiply(difference, _HUNDRED)
        most = ARITHMETIC.multiply(most, abs(before))
    if row.each is not None:
        ticks = row.past.ticks_since(scene)
        assert isinstance(ticks, Decimal)  # there is an earlier result, as asked above
        difference = ARITHMETIC.multiply(difference, row.each)
        most = ARITHMETIC.multiply(most, ticks)
    return COMPARISON.plus(difference) > COMPARISON.plus(most)


def _beyond_factor(value: Decimal, before: Decimal, factor: Decimal, label: str) -> Truth:
    """Return whether one of two values is more than `factor` times the other."""
    if value < 0 or before < 0:
        text = f"the change of {label} as a factor can not be told of a value below zero"
        return Unknown(Missing(label, "not computable", text))
    low, high = sorted((value, before))
    return COMPARISON.plus(high) > COMPARISON.multiply(low, factor)
