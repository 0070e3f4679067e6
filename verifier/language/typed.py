"""A checked expression: its kind, its closure, and what it rests on."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from decimal import Decimal
from fractions import Fraction
from typing import Any

from verifier.facts.units import multiplied
from verifier.facts.values import Between
from verifier.facts.verdicts import Fact
from verifier.language.kinds import BROKEN, Kind
from verifier.language.scene import ARITHMETIC, Scene
from verifier.language.screen import Sketch
from verifier.language.source import Span
from verifier.language.truth import Truth


@dataclass(frozen=True, slots=True)
class FactOf:
    """A fact an expression rests on; `show` returns it for one case, None when it is not there."""

    key: str
    show: Callable[[Scene], Fact | None] = field(compare=False)


@dataclass(frozen=True, slots=True)
class LimitCheck:
    """A comparison with a limit table: its truth, and the limit that decided, as a fact."""

    truth: Callable[[Scene], Truth]
    limit: Callable[[Scene], Fact | None]


@dataclass(frozen=True, slots=True)
class Typed:
    """A checked expression. `run` answers a truth or a quantity for a scene.

    `missing` names the facts that may be absent; `sure_if_true` and `sure_if_false` those that are
    known whenever the condition is true, or false (``x is known``). `sketch` is the same written
    out for exact numbers, None where only `run` will do.
    """

    span: Span
    kind: Kind
    run: Callable[[Scene], Any]
    label: str = ""
    facts: tuple[FactOf, ...] = ()
    missing: frozenset[str] = frozenset()
    sure_if_true: frozenset[str] = frozenset()
    sure_if_false: frozenset[str] = frozenset()
    constant: Decimal | bool | None = None
    checks: tuple[LimitCheck, ...] = ()
    sketch: Sketch | None = None

    @property
    def is_number(self) -> bool:
        """Whether it answers a quantity, not a truth."""
        return self.kind.what == "number"

    @property
    def broken(self) -> bool:
        """Whether something about it was found wrong already: nothing more is said of it."""
        return self.kind.what == "broken"


def broken(span: Span) -> Typed:
    """Return the expression that was found wrong; it absorbs every further check."""
    return Typed(span, BROKEN, lambda scene: None)


def facts_of(parts: Iterable[Typed]) -> tuple[FactOf, ...]:
    """Return the facts of several expressions, each once, in order."""
    return tuple({fact.key: fact for part in parts for fact in part.facts}.values())


def missing_of(parts: Iterable[Typed]) -> frozenset[str]:
    """Return what may be absent in any of several expressions."""
    return frozenset[str]().union(*(part.missing for part in parts))


def checks_of(parts: Iterable[Typed]) -> tuple[LimitCheck, ...]:
    """Return the limit checks of several expressions, in order."""
    return tuple(check for part in parts for check in part.checks)


def scaled(found: Typed, factor: Fraction, kind: Kind) -> Typed:
    """Return an expression multiplied by an exact factor, as a number of another kind."""
    if factor == 1:
        return found
    above, below = Decimal(factor.numerator), Decimal(factor.denominator)

    def times(value: Any) -> Any:
        if value.__class__ is Decimal:
            return ARITHMETIC.divide(ARITHMETIC.multiply(value, above), below)
        if isinstance(value, Between):
            low = None if value.low is None else times(value.low)
            high = None if value.high is None else times(value.high)
            return Between(low, high, value.low_included, value.high_included)
        return value

    run, constant = found.run, found.constant
    if isinstance(constant, Decimal):
        fixed = multiplied(constant, factor)  # as a result in that unit would be converted
        return Typed(
            found.span, kind, lambda scene: fixed, found.label, found.facts, constant=fixed
        )  # fmt: skip
    return Typed(
        found.span, kind, lambda scene: times(run(scene)), found.label, found.facts, found.missing
    )  # fmt: skip
