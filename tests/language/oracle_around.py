"""What surrounds a measurement, read plainly: specimen age, the value before, the control state."""

from datetime import timedelta
from typing import Any

from oracle_numbers import Quantity, Truth, read
from oracle_values import RuleSet, span

from verifier.facts.case import Case, Result
from verifier.language import tree

SIGNS = {">": "__gt__", ">=": "__ge__", "<": "__lt__", "<=": "__le__", "=": "__eq__"}


def specimen_age(case: Case, current: Result | None) -> timedelta | None:
    """Return how old the specimen was when `current`, or else its first result, was measured."""
    collected = case.specimen.collected
    measured = [r.measured for r in case.results if r.measured and r.state != "rejected"]
    if current is not None:
        measured = [current.measured] if current.measured else []
    if collected is None or collected.precision not in ("minute", "second") or not measured:
        return None
    age = min(measured) - collected.at
    return age if age >= timedelta(0) else None


def compared(
    node: tree.Expression, age: timedelta | None, parameters: dict[str, tree.Amount]
) -> Truth:
    """Return a comparison of the specimen age with spans; either side may be the age."""
    if age is None:
        return None

    def at(amount: Any) -> timedelta:
        return span(amount, parameters)

    match node:
        case tree.IsBetween(low=low, high=high):
            return at(low) <= age <= at(high)
        case tree.Compare(operator=sign, left=left, right=tree.SpecimenAge()):
            return bool(getattr(at(left), SIGNS[sign])(age))
        case tree.Compare(operator=sign, right=right):
            return bool(getattr(age, SIGNS[sign])(at(right)))
    raise AssertionError(node)


def preceding(rules: RuleSet, case: Case, test: str) -> Quantity | None:
    """Return what the analyzer measured just before."""
    item: Any = case.preceding.get(test)
    return read(item.value, rules.units[test]) if item else None


def control(rules: RuleSet, case: Case, test: str, state: str) -> Truth:
    """Return whether a test is in a control state; what has none counts as in control."""
    declared = rules.tests.get(test)
    if declared is None or not declared.controlled:
        return state == "in control"
    found = case.quality.get(test, "unknown")
    return None if found == "unknown" else found == state
