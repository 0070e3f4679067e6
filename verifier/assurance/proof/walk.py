"""Conditions and formulas for the solver: the walk over expressions, as the compiler walks them."""

from collections.abc import Callable
from typing import Any

from verifier.assurance.proof.facts import Facts
from verifier.assurance.proof.limits import Limits
from verifier.assurance.proof.names import Names
from verifier.assurance.proof.numbers import Numbers
from verifier.assurance.proof.quantities import Quantity, compare, number
from verifier.assurance.proof.reals import Reals
from verifier.assurance.proof.truths import Truth, all_of, any_of, certain, every, opposite, some
from verifier.assurance.proof.typed import Place, Typed, UnencodedError
from verifier.language import kinds, patients, tree


class Walk:
    """Turns the expressions of one rule set into formulas over the facts of a case."""

    def __init__(self, names: Names, facts: Facts, reals: Reals) -> None:
        self.names, self.facts, self.reals = names, facts, reals
        self.numbers, self.limits = Numbers(self), Limits(self)
        self._populations: dict[str, Truth] = {}
        self._derived: dict[str, tuple[Quantity, Quantity]] = {}
        self._truths: dict[type, Callable[[Any, Place], Truth]] = {
            tree.Compare: self._compare,
            tree.IsBetween: self._between,
            tree.IsKnown: self._known,
            tree.LimitTest: self.limits.test,
            tree.ChangedTooMuch: self.limits.changed,
            tree.ControlIs: self._control,
            tree.SexIs: self._sex,
            tree.SpecimenIs: self._specimen,
            tree.AttributeIs: self._attribute,
            tree.Name: lambda node, place: self.population(node.name),
            tree.AllOf: lambda node, place: all_of([self.truth(p, place) for p in node.parts]),
            tree.AnyOf: lambda node, place: any_of([self.truth(p, place) for p in node.parts]),
            tree.Not: lambda node, place: opposite(self.truth(node.operand, place)),
        }

    # --- conditions ---

    def truth(self, node: tree.Expression, place: Place) -> Truth:
        """Return a condition."""
        made = self._truths.get(type(node))
        if made is None:
            raise UnencodedError(node, f"{type(node).__name__} has no formula")
        return made(node, place)

    def population(self, name: str) -> Truth:
        """Return whether the patient belongs to a population ("" is everybody)."""
        if not name:
            return certain(True)
        if name not in self._populations:
            self._populations[name] = self.truth(self.names.populations[name], Place())
        return self._populations[name]

    def _compare(self, node: tree.Compare, place: Place) -> Truth:
        if isinstance(node.left, tree.Age) and not node.left.in_years:
            return self._age(node)
        if isinstance(node.left, tree.SpecimenAge) or isinstance(node.right, tree.SpecimenAge):
            both = [self._seconds(side, place) for side in (node.left, node.right)]
            return compare(self.reals, node.operator, *both)
        left, right = self.typed(node.left, place), self.typed(node.right, place)
        return self.compared(node.operator, left, right)

    def compared(self, sign: str, left: Typed, right: Typed) -> Truth:
        """Return the comparison of two numbers, brought to one unit as the compiler does."""
        left, right = self.numbers.together(left, right)
        return compare(self.reals, sign, left.quantity, right.quantity)

    def _age(self, node: tree.Compare) -> Truth:
        amount = self.names.amount(node.right)
        assert amount is not None
        span = kinds.SPANS[kinds.singular(amount.unit or "")]
        reached = self.facts.age_reached(int(amount.value), span)
        return reached if node.operator == ">=" else opposite(reached)

    def _seconds(self, node: tree.Expression, place: Place) -> Quantity:
        if isinstance(node, tree.SpecimenAge):
            measured = place.test if place.test in self.names.tests else ""
            return self.facts.specimen_age(measured)
        amount = self.names.amount(node)
        assert amount is not None
        return number(amount.value * kinds.PERIODS[kinds.singular(amount.unit or "")])

    def _between(self, node: tree.IsBetween, place: Place) -> Truth:
        if isinstance(node.operand, tree.SpecimenAge):
            return self._age_between(node, place)
        operand, low, high = (self.typed(n, place) for n in (node.operand, node.low, node.high))
        if low.kind.bare and not high.kind.bare:
            low = low._replace(kind=high.kind)
        return all_of((self.compared(">=", operand, low), self.compared("<=", operand, high)))

    def _age_between(self, node: tree.IsBetween, place: Place) -> Truth:
        age, high = self._seconds(node.operand, place), self._seconds(node.high, place)
        low, end = self.names.amount(node.low), self.names.amount(node.high)
        assert low is not None
        assert end is not None
        unit = kinds.singular(low.unit or end.unit or "")
        least = number(low.value * kinds.PERIODS[unit])
        return all_of((compare(self.reals, ">=", age, least), compare(self.reals, "<=", age, high)))

    def _known(self, node: tree.IsKnown, place: Place) -> Truth:
        if isinstance(node.operand, tree.SpecimenAge):
            return certain(self._seconds(node.operand, place).known)
        if isinstance(node.operand, tuple(self._truths)) and not self._is_number(node.operand):
            return certain(_settled(self.truth(node.operand, place)))
        return certain(self.typed(node.operand, place).quantity.known)

    def _is_number(self, node: tree.Expression) -> bool:
        return isinstance(node, tree.Name) and node.name not in self.names.populations

    def _control(self, node: tree.ControlIs, place: Place) -> Truth:
        name = node.operand.name if isinstance(node.operand, tree.Name) else place.test
        inside, test = node.state == "in control", self.names.tests.get(name)
        if test is None or not test.controlled:
            return certain(inside)
        state = self.facts.control(name)
        return state if inside else opposite(state)

    def _sex(self, node: tree.SexIs, place: Place) -> Truth:
        both = patients.SEXES.values()
        return self.facts.is_word("sex", patients.SEXES[node.sex], both)

    def _specimen(self, node: tree.SpecimenIs, place: Place) -> Truth:
        return self.facts.is_word("specimen", node.type, self.names.specimens)

    def _attribute(self, node: tree.AttributeIs, place: Place) -> Truth:
        return self.facts.is_word(f"attribute {node.attribute}", node.value)

    # --- numbers ---

    def typed(self, node: tree.Expression, place: Place) -> Typed:
        """Return a number with its kind."""
        return self.numbers.typed(node, place)

    def value_of(self, name: str, *, exact: bool = False) -> Quantity:
        """Return the value of a test or derived result; `exact` before it is rounded."""
        if name in self.names.tests:
            return self.facts.test(name).value
        if name not in self._derived:
            self._derived[name] = self._work(self.names.derived[name])
        return self._derived[name][0 if exact else 1]

    def in_hand(self, test: str) -> Place:
        """Return the place of a rule that looks at a test or derived result ("" at none)."""
        return Place(test, self.value_of(test)) if test else Place()

    def _work(self, item: tree.Derive) -> tuple[Quantity, Quantity]:
        """Return a derived result before and after rounding."""
        lets: dict[str, Typed] = {}
        for let in item.lets:
            lets[let.name.text] = self.typed(let.value, Place(lets=dict(lets), exact=True))
        place = Place(lets=lets, exact=True)
        kind = self.names.kind(item.name.text)
        found = self.numbers.in_kind(self.typed(item.formula, place), kind).quantity
        gates = [self.truth(gate.condition, place) for gate in item.only_when]
        if item.population:
            gates.append(self.population(item.population.text))
        opened = all_of(gates).yes
        exact = found._replace(
            exact=every((opened, found.exact)), ranged=every((opened, found.ranged))
        )
        if item.decimals is None:
            return exact, exact
        return exact, exact._replace(value=self.reals.rounded(exact.value, item.decimals))


def _settled(truth: Truth) -> Any:
    return some((truth.yes, truth.no))
