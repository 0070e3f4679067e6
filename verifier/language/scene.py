"""One case while it is judged: values by test name, the result in hand, what was worked out."""

from collections.abc import Callable, Mapping
from datetime import date, datetime
from decimal import Context, Decimal, DecimalException, DivisionByZero
from typing import Any, TypeAlias

from verifier.facts.ages import calendar_day
from verifier.facts.case import Case, Result
from verifier.facts.values import (
    TITER,
    Absent,
    Between,
    Number,
    TiterBetween,
    Unreadable,
    Value,
    Words,
)
from verifier.language.truth import Missing, Truth, Unknown

# Arithmetic of decimal128 (IEEE 754-2008): 34 digits, ties to even. Comparison is always exact.
# ln, exp, sqrt and pow are correct to 20 digits.
ARITHMETIC = Context(prec=34, Emax=6144, Emin=-6143)
TRANSCENDENTAL = Context(prec=20, Emax=6144, Emin=-6143)
# A value converted between units has no last digit: what is worked out of it is compared at fewer.
COMPARISON = Context(prec=20, Emax=6144, Emin=-6143)
_SHOWN = Context(prec=6, Emax=6144, Emin=-6143)
_GUARDED = Context(prec=27, Emax=6144, Emin=-6143)

Known: TypeAlias = Decimal | Between
Quantity: TypeAlias = Decimal | Between | Unknown


class _Worked(dict[str, Any]):
    """Answers by name; a name not there yet is worked out once."""

    __slots__ = ("_work",)

    def __init__(self, work: Callable[[str], Any]) -> None:
        super().__init__()
        self._work = work

    def __missing__(self, name: str) -> Any:
        found = self[name] = self._work(name)
        return found


class Scene:
    """What the compiled closures read. `test`, `result` and `current` change with the result.

    `current` is the result in hand as it was sent, None for the specimen and for derived ones.
    """

    __slots__ = (
        "birthday_on", "case", "collected", "current", "exact", "populations", "result", "results",
        "test", "values",
    )  # fmt: skip

    def __init__(
        self,
        case: Case,
        units: Mapping[str, str],
        work: "Callable[[Scene, str], Quantity]",
        belongs: "Callable[[Scene, str], Truth]",
    ) -> None:
        self.case = case
        collected = case.specimen.collected
        self.collected: datetime | None = collected.at if collected else None
        self.birthday_on: date = calendar_day(collected) if collected else case.now.date()
        self.populations: dict[str, Truth] = _Worked(lambda name: belongs(self, name))
        self.exact: dict[str, Quantity] = {}
        self.values: dict[str, Quantity] = _Worked(lambda name: work(self, name))
        self.results: dict[str, Result] = {}
        self.test = ""
        self.result: Quantity = Unknown()
        self.current: Result | None = None
        for result in case.results:
            self._take(result, units)

    def _take(self, result: Result, units: Mapping[str, str]) -> None:
        name = result.test
        if not name or result.state == "rejected":
            return
        if name in self.results:
            text = f"there are several values of {result.title}"
            self.values[name] = Unknown(Missing(name, "several", text))
            return
        self.results[name] = result
        self.values[name] = usable(result, units.get(name, ""))


def usable(result: Result, unit: str) -> Quantity:
    """Return the value of a result for arithmetic, or why there is none."""
    value = result.value
    if isinstance(value, Number | Between):
        if result.unit == unit:
            return value.value if isinstance(value, Number) else value
        text = f"{result.title} is not in {unit or 'a plain number'}"
    else:
        text = f"{result.title} {_why(value)}"
    return Unknown(Missing(result.test, "unreadable", text))


def _why(value: Value) -> str:
    match value:
        case Words(text):
            return f"is the text {text!r}, not a number"
        case Absent():
            return "has no value"
        case Unreadable():
            return "is unreadable"
        case _:
            return "is not a number"


def logarithm(value: Decimal) -> Decimal:
    """Return the natural logarithm, to 20 digits.

    Raises:
        DecimalException: the number is zero or less.
    """
    if not value:
        raise DivisionByZero  # the library answers minus infinity
    return TRANSCENDENTAL.ln(value)


def power(base: Decimal, exponent: Decimal) -> Decimal:
    """Return `base` to the power `exponent`, to 20 digits.

    Raises:
        DecimalException: it is not a real number, or too large.
    """
    if not base and exponent < 0:
        raise DivisionByZero  # the library answers infinity
    if base <= 0 or exponent == exponent.to_integral_value():
        return TRANSCENDENTAL.power(base, exponent)
    # Half the time of Context.power; the product stays below 2**14, so 7 more digits suffice.
    logarithm = _GUARDED.multiply(exponent, _GUARDED.ln(base))
    return TRANSCENDENTAL.plus(_GUARDED.exp(logarithm))


def computed(work: Callable[[Decimal, Decimal], Decimal], label: str) -> Callable[..., Quantity]:
    """Return arithmetic on two quantities that answers unknown where there is no number."""

    def apply(left: Quantity, right: Quantity) -> Quantity:
        if left.__class__ is Decimal and right.__class__ is Decimal:
            try:
                return work(left, right)
            except DecimalException:
                return Unknown(Missing(label, "not computable", f"{label} can not be computed"))
        return unusable(label, left, right)

    return apply


def unusable(label: str, *quantities: Quantity) -> Unknown:
    """Return why arithmetic on these quantities gives no number."""
    gaps: set[Missing] = set()
    for item in quantities:
        if isinstance(item, Unknown):
            gaps |= item.missing
        elif isinstance(item, Between):
            text = f"{label} rests on a censored value"
            gaps.add(Missing(label, "censored", text))
    return Unknown(*gaps)


def between_text(value: Between) -> str:
    """Return a censored value as it is written: ``<0.2``, ``>=1000``, ``2 to 4``."""
    if value.low is None and value.high is None:
        return "any"
    unit = TITER if isinstance(value, TiterBetween) else ""
    if value.low is None:
        return f"{'<=' if value.high_included else '<'}{shown(value.high or Decimal(0), unit)}"
    if value.high is None:
        return f"{'>=' if value.low_included else '>'}{shown(value.low, unit)}"
    return f"{shown(value.low)} to {shown(value.high)}"


def shown(value: Decimal, unit: str = "") -> str:
    """Return a number for people: one that was converted, and has no last digit, at six digits."""
    endless = len(value.as_tuple().digits) > COMPARISON.prec
    return plain(_SHOWN.plus(value) if endless else value, unit)


def plain(value: Decimal, unit: str = "") -> str:
    """Return a number without exponent, as it was written; a dilution begins with ``1:``."""
    text = format(value, "f") if value.is_finite() else str(value)
    return f"{TITER}{text}" if unit == TITER else text
