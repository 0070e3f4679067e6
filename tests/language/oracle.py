"""A second, plain reading of the rule language: walks the parsed statements for each case.

Slow and obvious on purpose, written from the meaning of the language and sharing no code with the
compiler. Truths are True, False and None (unknown); a quantity that is not known is None.
"""

from collections.abc import Iterable
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import Any

import oracle_around as around
from oracle_numbers import PLAIN, UNITS, Quantity, Truth, combined, compare, number, per, read
from oracle_values import Values, lognormal_change, reference_change

from verifier.language import tree

DECIDED_SEXES = {"F": "female", "M": "male", "O": "", "A": "", "N": ""}


def both(truths: Iterable[Truth]) -> Truth:
    """Kleene and."""
    found = list(truths)
    return False if False in found else None if None in found else True


def either(truths: Iterable[Truth]) -> Truth:
    """Kleene or."""
    found = list(truths)
    return True if True in found else None if None in found else False


def opposite(truth: Truth) -> Truth:
    """Kleene not."""
    return None if truth is None else not truth


class Reading(Values):
    """The conditions of one case, on top of its values."""

    def preceding(self, test: str) -> Quantity | None:
        """Return what the analyzer measured just before."""
        return around.preceding(self.rules, self.case, test)

    # --- truths ---

    def truth(self, node: tree.Expression, lets: dict[str, Any] | None = None) -> Truth:
        """Return a condition."""
        match node:
            case tree.AllOf(parts=parts):
                return both([self.truth(part, lets) for part in parts])
            case tree.AnyOf(parts=parts):
                return either([self.truth(part, lets) for part in parts])
            case tree.Not(operand=operand):
                return opposite(self.truth(operand, lets))
            case tree.Compare(
                operator=sign,
                left=tree.Age(in_years=False),
                right=(tree.Amount() | tree.Name()) as age,
            ):
                return self._aged(sign, age)
            case (
                tree.Compare(left=tree.SpecimenAge())
                | tree.Compare(right=tree.SpecimenAge())
                | tree.IsBetween(operand=tree.SpecimenAge())
            ):
                return around.compared(node, self._old(lets), self.rules.parameters)
            case tree.IsKnown(operand=tree.SpecimenAge()):
                return self._old(lets) is not None
            case tree.ControlIs(operand=operand, state=state):
                test = operand.name if isinstance(operand, tree.Name) else self.test
                return around.control(self.rules, self.case, test, state)
            case tree.Compare(operator=sign, left=left, right=right):
                return self._compared(sign, self.value(left, lets), self.value(right, lets))
            case tree.IsBetween(operand=operand, low=low, high=high):
                value, most = self.value(operand, lets), self.value(high, lets)
                least = self.value(low, lets)
                if least and most and least.literal and least.unit == PLAIN:
                    least = replace(least, unit=most.unit)  # 3.5 and 5.1 mmol/L
                return both([self._compared(">=", value, least), self._compared("<=", value, most)])
            case tree.IsKnown(operand=tree.Name(name=name)) if name in self.rules.populations:
                return self.belongs(name) is not None
            case tree.IsKnown(operand=operand):
                return self.value(operand, lets) is not None
            case tree.Name(name=name):
                return self.belongs(name)
            case tree.LimitTest(operand=operand, kind=kind):
                return self._beyond(operand, kind)
            case tree.ChangedTooMuch(operand=operand):
                return self._beyond(operand, "change")
        return self._patient(node)

    def _old(self, lets: dict[str, Any] | None) -> timedelta | None:
        """Return the specimen age; a formula has one for all results."""
        return around.specimen_age(self.case, self.current if lets is None else None)

    def _compared(self, sign: str, left: Quantity | None, right: Quantity | None) -> Truth:
        return None if left is None or right is None else compare(sign, left, right)

    def _aged(self, sign: str, age: tree.Amount | tree.Name) -> Truth:
        if isinstance(age, tree.Name):
            age = self.rules.parameters[age.name]
        ages = self._ages((age.unit or "").removesuffix("s"))
        if ages is None:
            return None
        reached = {count >= age.value for count in ages}
        return None if len(reached) == 2 else reached.pop() is (sign == ">=")

    def _patient(self, node: tree.Expression) -> Truth:
        patient, specimen = self.case.patient, self.case.specimen
        match node:
            case tree.SexIs(sex=sex):
                known = patient is not None and patient.key and patient.sex in DECIDED_SEXES
                return DECIDED_SEXES[patient.sex] == sex if known and patient else None
            case tree.SpecimenIs(type=kind):
                return specimen.type == kind if specimen.type else None
            case tree.AttributeIs(attribute=attribute, value=value):
                of_patient = patient.attributes if patient else {}
                found = of_patient.get(attribute) or specimen.attributes.get(attribute)
                return found == value if found else None
        raise AssertionError(node)

    # --- limits ---

    def _beyond(self, operand: tree.Expression, kind: str) -> Truth:
        test = operand.name if isinstance(operand, tree.Name) else self.test
        rows = self.rules.rows.get((test, kind))
        if not rows:
            return False
        value = self.value(operand)
        fits = [self._fits(row) for row in rows]
        hits = [self._hit(row, kind, test, value) for row in rows]
        found = either([both(pair) for pair in zip(fits, hits, strict=True)])
        return found if found is True or True in fits else None

    def _fits(self, row: Any) -> Truth:
        named = row.population and row.population.text != "everyone"
        kind, specimen = row.specimen, self.case.specimen.type
        return both(
            [
                self.belongs(row.population.text) if named else True,
                (specimen == kind.text if specimen else None) if kind else True,
            ]
        )

    def _hit(self, row: Any, kind: str, test: str, value: Quantity | None) -> Truth:
        if value is None:
            return None
        if kind == "change":
            return self._changed(row, test, value)
        inside = either([self._inside(part, test, value) for part in row.parts])
        return inside if kind == "critical" else opposite(inside)

    def _inside(self, part: tree.Part, test: str, value: Quantity) -> Truth:
        low = part.low and self._limit(part.low, test)
        high = part.high and self._limit(part.high, test)
        return both(
            [
                compare(">=" if part.low_included else ">", value, low) if low else True,
                compare("<=" if part.high_included else "<", value, high) if high else True,
            ]
        )

    def _limit(self, amount: tree.Amount, test: str) -> Quantity:
        own = self.rules.units[test]
        return number(amount.value, UNITS[amount.unit] if amount.unit else own, literal=True)

    def _changed(self, row: tree.ChangeRow, test: str, value: Quantity) -> Truth:
        found = self.before(test, self.span(row.window))
        before = read(found[0].value, self.rules.units[test]) if found else None
        if before is None or (difference := combined("-", value, before)) is None:
            return None
        if row.each:
            time = self._between(test, self.span(row.window), row.each)
            difference = combined("/", difference, time)
        change, most = self._call("abs", [difference]), row.most
        if isinstance(most, tree.Amount) and most.unit != "%":
            limit = self._limit(most, test)
            limit = replace(limit, unit=per(limit.unit, row.each)) if row.each else limit
            return self._compared(">", change, limit)
        if isinstance(most, tree.ReferenceChange) and most.lognormal:
            return self._multiplied(most, value, before)
        percent = reference_change(most) if isinstance(most, tree.ReferenceChange) else most.value
        base, share = self._call("abs", [before]), number(percent / 100, PLAIN)
        if row.each:
            share = number(percent / 100, per(PLAIN, row.each))
        return self._compared(">", change, base and combined("*", base, share))

    def _multiplied(self, most: tree.ReferenceChange, value: Quantity, before: Quantity) -> Truth:
        """Return whether a value left the multiples of the earlier one that chance allows."""
        none = number(Decimal(0), value.unit)
        if compare("<", value, none) or compare("<", before, none):
            return None
        low, high = (combined("*", before, number(n, PLAIN)) for n in lognormal_change(most))
        return either([self._compared("<", value, low), self._compared(">", value, high)])
