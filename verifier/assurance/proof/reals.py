"""Numbers for the solver: fractions of linear terms, so that most comparisons stay linear.

A quotient is kept as numerator and denominator, and a rounded one with its decimals, until it is
compared with a fixed number: then the comparison can be written without dividing or rounding.
What can not be kept so becomes a number of its own; `Reals` remembers what is true of it, roughly
(`facts`, linear) and in full (`definitions`, which may take the solver long).
"""

from collections.abc import Callable
from decimal import Decimal
from fractions import Fraction
from functools import lru_cache
from typing import Any, NamedTuple, TypeAlias

import z3

from verifier.assurance.proof.truths import Bool, chosen, every, negated, some

Term: TypeAlias = Any  # a Fraction, or a real term of the solver, which is not typed
ONE = Fraction(1)


class Value(NamedTuple):
    """A number `above / below`, rounded to `decimals` halves away from zero unless that is None."""

    above: Term
    below: Term = ONE
    decimals: int | None = None


def fixed(value: Term) -> bool:
    """Return whether a term is a number written in a rule."""
    return isinstance(value, Fraction)


def literal(value: Decimal | int | Fraction) -> Value:
    """Return a number as written."""
    return Value(Fraction(value))


def term(value: Term) -> Any:
    """Return a term the solver can take."""
    return _written(value) if isinstance(value, Fraction) else value


@lru_cache(maxsize=4096)
def _written(value: Fraction) -> Any:
    return z3.RealVal(str(value))


def scaled(value: Term, factor: Fraction) -> Term:
    """Return a linear multiple of a term."""
    if factor == 1:
        return value
    return value * factor if fixed(value) else term(factor) * value


def added(left: Term, right: Term) -> Term:
    """Return the sum of two terms."""
    if fixed(left) and fixed(right):
        return left + right
    if (fixed(left) and not left) or (fixed(right) and not right):
        return right if fixed(left) else left
    return term(left) + term(right)


_SIGNS: dict[str, Callable[[Any, Any], Any]] = {
    ">": lambda a, b: a > b,
    ">=": lambda a, b: a >= b,
    "<": lambda a, b: a < b,
    "<=": lambda a, b: a <= b,
    "=": lambda a, b: a == b,
}
MIRRORED = {">": "<", ">=": "<=", "<": ">", "<=": ">=", "=": "="}


def ordered(sign: str, left: Term, right: Term) -> Bool:
    """Return the comparison of two terms."""
    if fixed(left) and fixed(right):
        return bool(_SIGNS[sign](left, right))
    return _SIGNS[sign](term(left), term(right))


class Reals:
    """Makes numbers out of numbers, and collects what is known of those it can not write out."""

    def __init__(self) -> None:
        self.facts: list[Bool] = []
        self.definitions: list[Bool] = []
        self.anything: set[str] = set()
        self._made: dict[int, Any] = {}  # kept, so that the solver gives no number twice

    # --- what has no linear form ---

    def function(self, name: str, *arguments: Term) -> Any:
        """Return what a function answers, of which only is known that it answers the same twice."""
        sorts = [z3.RealSort()] * (len(arguments) + 1)
        return z3.Function(name, *sorts)(*(term(part) for part in arguments))

    def any_number(self, function: str) -> None:
        """Note a function of which nothing is said: what it answers counts as any number."""
        self.anything.add(function)

    def counted_as_any(self) -> tuple[str, ...]:
        """Return, as a sentence, which functions count as any number; nothing where none does."""
        if not self.anything:
            return ()
        names = ", ".join(sorted(self.anything))
        return (f"what {names} answer may be any number, the same for the same numbers",)

    def property(self, name: str, *arguments: Term) -> Bool:
        """Return a truth of which only is known that it is the same for the same numbers."""
        sorts = [*[z3.RealSort()] * len(arguments), z3.BoolSort()]
        return z3.Function(name, *sorts)(*(term(part) for part in arguments))

    def product(self, left: Term, right: Term) -> Term:
        """Return the product of two terms."""
        if fixed(left):
            return scaled(right, left)
        if fixed(right):
            return scaled(left, right)
        if left.get_id() > right.get_id():
            left, right = right, left
        made = self.function("times", left, right)
        if self._new(made):
            self.definitions.append(made == left * right)
        return made

    def plain(self, value: Value) -> Term:
        """Return a value as one term, dividing and rounding where it has to be."""
        made = value.above
        if not fixed(value.below):
            made = self.function("over", value.above, value.below)
            if self._new(made):
                self.definitions.append(
                    some((value.below == 0, made * value.below == term(value.above)))
                )
        return made if value.decimals is None else self._rounded(made, value.decimals)

    def _rounded(self, value: Term, decimals: int) -> Term:
        if fixed(value):
            return _half_up(value, decimals)
        made = self.function(f"round{decimals}", value)
        if self._new(made):
            step = Fraction(1, 10**decimals)
            half, size = term(step / 2), z3.If(value < 0, -value, value)
            self.facts.append(z3.And(made - value <= half, value - made <= half))
            whole = z3.ToReal(z3.ToInt(size * 10**decimals + z3.Q(1, 2))) / 10**decimals
            self.definitions.append(made == z3.If(value < 0, -whole, whole))
        return made

    def _new(self, made: Any) -> bool:
        if made.get_id() in self._made:
            return False
        self._made[made.get_id()] = made
        return True

    # --- arithmetic ---

    def sum(self, left: Value, right: Value, sign: int = 1) -> Value:
        """Return ``left + right``, or with `sign` -1 ``left - right``."""
        left, right = self._unrounded(left), self._unrounded(right)
        second = scaled(right.above, Fraction(sign))
        if _same(left.below, right.below):
            return Value(added(left.above, second), left.below)
        if fixed(left.below) and fixed(left.above):
            return Value(added(scaled(right.below, left.above), second), right.below)
        if fixed(right.below) and fixed(right.above):
            moved = scaled(left.below, right.above * sign)
            return Value(added(left.above, moved), left.below)
        return Value(added(self.plain(left), scaled(self.plain(right), Fraction(sign))))

    def times(self, left: Value, right: Value) -> Value:
        """Return the product of two numbers."""
        left, right = self._unrounded(left), self._unrounded(right)
        return _reduced(
            self.product(left.above, right.above), self.product(left.below, right.below)
        )

    def over(self, left: Value, right: Value) -> Value:
        """Return the quotient of two numbers; the caller sees to it that nobody divides by zero."""
        left, right = self._unrounded(left), self._unrounded(right)
        return _reduced(
            self.product(left.above, right.below), self.product(left.below, right.above)
        )

    def negative(self, value: Value) -> Value:
        """Return a number with the other sign; rounding is the same on both sides of zero."""
        return value._replace(above=scaled(value.above, Fraction(-1)))

    def size(self, value: Value) -> Value:
        """Return a number without its sign."""
        return Value(_size(value.above), _size(value.below), value.decimals)

    def choose(self, condition: Bool, then: Value, otherwise: Value) -> Value:
        """Return one of two numbers."""
        if isinstance(condition, bool):
            return then if condition else otherwise
        if then.decimals != otherwise.decimals:
            then, otherwise = self._unrounded(then), self._unrounded(otherwise)
        above = chosen(condition, term(then.above), term(otherwise.above))
        if _same(then.below, otherwise.below):
            return Value(above, then.below, then.decimals)
        below = chosen(condition, term(then.below), term(otherwise.below))
        return Value(above, below, then.decimals)

    def rounded(self, value: Value, decimals: int) -> Value:
        """Return a number rounded, halves away from zero."""
        return self._unrounded(value)._replace(decimals=decimals)

    def _unrounded(self, value: Value) -> Value:
        return value if value.decimals is None else Value(self.plain(value))

    # --- comparison ---

    def compare(self, sign: str, left: Value, right: Value) -> Bool:
        """Return ``left sign right``."""
        if fixed(left.above) and fixed(left.below) and left.decimals is None:
            left, right, sign = right, left, MIRRORED[sign]
        if fixed(right.above) and fixed(right.below) and right.decimals is None:
            return self._with_number(sign, left, right.above / right.below)
        left, right = self._unrounded(left), self._unrounded(right)
        if _same(left.below, right.below):
            return _divided(sign, left.above, left.below, right.above)
        return ordered(sign, self.plain(left), self.plain(right))

    def _with_number(self, sign: str, left: Value, limit: Fraction) -> Bool:
        if left.decimals is not None:
            return self._rounded_with(sign, left, limit)
        return _divided(sign, left.above, left.below, scaled(left.below, limit))

    def _rounded_with(self, sign: str, left: Value, limit: Fraction) -> Bool:
        """Return a comparison of a rounded number, as one of the number before it was rounded."""
        assert left.decimals is not None
        exact, step = left._replace(decimals=None), Fraction(1, 10**left.decimals)
        if sign == "=":
            both = (self._rounded_with(s, left, limit) for s in ("<=", ">="))
            return every(both) if limit % step == 0 else False
        if sign in ("<", "<="):
            return negated(self._rounded_with(">=" if sign == "<" else ">", left, limit))
        least = -(-limit // step) * step  # the lowest on the grid that is not below the limit
        if sign == ">" and least == limit:
            least += step
        edge = least - step / 2  # halves go away from zero: up where positive, down where negative
        return self._with_number(">=" if least > 0 else ">", exact, edge)


def _half_up(value: Fraction, decimals: int) -> Fraction:
    size = abs(value) * 10**decimals + Fraction(1, 2)
    whole = Fraction(size.numerator // size.denominator, 10**decimals)
    return whole if value >= 0 else -whole


def _divided(sign: str, above: Term, below: Term, limit: Term) -> Bool:
    """Return ``above sign limit`` as it is after dividing both by `below`."""
    if fixed(below):
        return ordered(sign if below > 0 else MIRRORED[sign], above, limit)
    return some(
        (
            every((below > 0, ordered(sign, above, limit))),
            every((below < 0, ordered(MIRRORED[sign], above, limit))),
        )
    )


def _same(left: Term, right: Term) -> bool:
    if fixed(left) or fixed(right):
        return fixed(left) and fixed(right) and bool(left == right)
    return bool(left.eq(right))


def _reduced(above: Term, below: Term) -> Value:
    if not fixed(below):
        return Value(above, below)
    return Value(scaled(above, 1 / below)) if below else Value(above)


def _size(value: Term) -> Term:
    return abs(value) if fixed(value) else z3.If(value < 0, -value, value)
