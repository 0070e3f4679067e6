"""Works formulas of the solver out in plain Python, exactly, without the solver's own reckoning."""

from collections.abc import Callable, Mapping
from decimal import Context, Decimal, DecimalException
from fractions import Fraction
from typing import Any

import z3

from verifier.language.scene import TRANSCENDENTAL, logarithm, power

_WIDE = Context(prec=34)
_CLOSE = Fraction(1, 10**16)


class TooClose(Exception):
    """Two numbers differ so little that rounding would decide."""


def _decimal(value: Fraction) -> Decimal:
    return _WIDE.divide(Decimal(value.numerator), Decimal(value.denominator))


def _compared(work: Callable[[Fraction, Fraction], bool]) -> Callable[[Any, Any], bool]:
    def apply(a: Any, b: Any) -> bool:
        if not isinstance(a, bool) and a != b:
            size = max(abs(a), abs(b))
            if abs(a - b) <= _CLOSE * size:
                raise TooClose
        return work(a, b)

    return apply


def _rounded(value: Fraction, digits: int) -> Fraction:
    size = abs(value) * 10**digits
    half = size + Fraction(1, 2)
    if half.denominator != 1 and abs(half - round(half)) < Fraction(1, 10**12):
        raise TooClose
    whole = Fraction(half.numerator // half.denominator, 10**digits)
    return whole if value >= 0 else -whole


_FUNCTIONS: dict[str, Callable[..., Decimal]] = {
    "ln": logarithm,
    "exp": TRANSCENDENTAL.exp,
    "sqrt": TRANSCENDENTAL.sqrt,
    "pow": power,
}


def _called(name: str, *values: Fraction) -> Fraction | None:
    try:
        return Fraction(_FUNCTIONS[name](*(_decimal(value) for value in values)))
    except (DecimalException, OverflowError):
        return None


def _function(name: str, values: list[Any]) -> Any:
    if name == "times":
        return values[0] * values[1]
    if name == "over":
        return values[0] / values[1] if values[1] else Fraction(0)
    if name.startswith("round"):
        return _rounded(values[0], int(name.removeprefix("round")))
    if name.endswith(" has a value"):
        return _called(name.removesuffix(" has a value"), *values) is not None
    return _called(name, *values) or Fraction(0)


def _sum(*values: Fraction) -> Fraction:
    return sum(values, Fraction(0))


def _product(*values: Fraction) -> Fraction:
    result = Fraction(1)
    for value in values:
        result *= value
    return result


_OPERATIONS: dict[int, Callable[..., Any]] = {
    z3.Z3_OP_AND: lambda *parts: all(parts),
    z3.Z3_OP_OR: lambda *parts: any(parts),
    z3.Z3_OP_NOT: lambda part: not part,
    z3.Z3_OP_IMPLIES: lambda a, b: not a or b,
    z3.Z3_OP_ITE: lambda c, a, b: a if c else b,
    z3.Z3_OP_EQ: _compared(lambda a, b: a == b),
    z3.Z3_OP_LE: _compared(lambda a, b: a <= b),
    z3.Z3_OP_LT: _compared(lambda a, b: a < b),
    z3.Z3_OP_GE: _compared(lambda a, b: a >= b),
    z3.Z3_OP_GT: _compared(lambda a, b: a > b),
    z3.Z3_OP_ADD: _sum,
    z3.Z3_OP_MUL: _product,
    z3.Z3_OP_SUB: lambda a, b: a - b,
    z3.Z3_OP_UMINUS: lambda a: -a,
    z3.Z3_OP_DIV: lambda a, b: a / b,
    z3.Z3_OP_TO_REAL: lambda a: a,
    z3.Z3_OP_TO_INT: lambda a: Fraction(a.numerator // a.denominator),
    z3.Z3_OP_IS_INT: lambda a: a.denominator == 1,
}


class Formula:
    """A formula as a list of steps; each is worked out when something asks for it."""

    def __init__(self) -> None:
        self._steps: list[tuple[str, Any, tuple[int, ...]]] = []
        self._places: dict[int, int] = {}
        self._kept: list[Any] = []

    def add(self, formula: Any) -> int:
        """Return the number of the step that works a formula out."""
        waiting = [formula]
        while waiting:
            node = waiting[-1]
            if isinstance(node, bool) or node.get_id() in self._places:
                waiting.pop()
                continue
            missing = [c for c in node.children() if c.get_id() not in self._places]
            if missing:
                waiting += missing
                continue
            waiting.pop()
            self._kept.append(node)
            self._places[node.get_id()] = len(self._steps)
            self._steps.append(self._step(node))
        return self._places[formula.get_id()]

    def _step(self, node: Any) -> tuple[str, Any, tuple[int, ...]]:
        places = tuple(self._places[child.get_id()] for child in node.children())
        if z3.is_rational_value(node) or z3.is_int_value(node):
            return "fixed", Fraction(str(node)), ()
        if z3.is_true(node) or z3.is_false(node):
            return "fixed", z3.is_true(node), ()
        if z3.is_const(node):
            return "fact", str(node), ()
        kind = node.decl().kind()
        if kind == z3.Z3_OP_UNINTERPRETED:
            return "function", node.decl().name(), places
        return "work", (kind, _OPERATIONS[kind]), places

    def worker(self, facts: Mapping[str, Any]) -> "Worker":
        """Return what works the steps out for some facts."""
        return Worker(self._steps, facts)


class Worker:
    """The values of the steps of a formula, worked out once."""

    def __init__(
        self, steps: list[tuple[str, Any, tuple[int, ...]]], facts: Mapping[str, Any]
    ) -> None:
        self._steps, self._facts = steps, facts
        self._values: dict[int, Any] = {}

    def value(self, place: int) -> Any:
        """Return the value of a step; what a settled condition does not need is not looked at."""
        if place not in self._values:
            self._values[place] = self._work(place)
        return self._values[place]

    def _work(self, place: int) -> Any:
        what, said, places = self._steps[place]
        if what == "fixed":
            return said
        if what == "fact":
            return self._facts[said]
        if what == "function":
            return _function(said, [self.value(p) for p in places])
        kind, work = said
        if kind == z3.Z3_OP_AND:
            return all(self.value(p) for p in places)
        if kind == z3.Z3_OP_OR:
            return any(self.value(p) for p in places)
        if kind == z3.Z3_OP_ITE:
            return self.value(places[1] if self.value(places[0]) else places[2])
        return work(*(self.value(p) for p in places))
