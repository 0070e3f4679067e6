"""Patients' own results as a control: moving average, moving median, EWMA.

The moving average of patients' results as a control: Hoffmann RG, Waid ME, Am J Clin Pathol
1965;43:134-141. EWMA and its limits: Roberts SW, Technometrics 1959;1:239-250 (both cited from
memory).
"""

from collections.abc import Iterable, Iterator, Sequence
from decimal import Decimal, localcontext
from typing import Literal, TypeAlias

from msgspec import Struct
from msgspec.structs import replace

from verifier.quality.figures import PLENTY

Kind: TypeAlias = Literal["mean", "median", "ewma"]
Outside: TypeAlias = Literal["leave out", "cap"]


class Plan(Struct, frozen=True):
    """How the patients' results of one test are watched.

    `size` values make a moving mean or median; `weight` is the λ of an EWMA, which starts at
    `target`. Results outside `lowest` … `highest` are left out, or counted as the limit they are
    beyond. `low` and `high` are fixed control limits; without them an EWMA has target ± `width` ·
    `sd` · √(λ/(2−λ)·(1−(1−λ)^2t)) and a moving mean target ± `width` · `sd` / √size.
    """

    kind: Kind
    target: Decimal
    size: int = 20
    weight: Decimal = Decimal("0.1")
    lowest: Decimal | None = None
    highest: Decimal | None = None
    outside: Outside = "leave out"
    low: Decimal | None = None
    high: Decimal | None = None
    sd: Decimal | None = None
    width: Decimal = Decimal(3)


class Moving(Struct, frozen=True):
    """Where a moving statistic stands: the values it still needs, or the EWMA after `count`."""

    window: tuple[Decimal, ...] = ()
    value: Decimal | None = None
    count: int = 0
    alarmed: bool = False


class Reading(Struct, frozen=True):
    """The statistic after one more result, with the limits it is held against.

    `alarm` is true where it leaves them, and stays true until it is back.
    """

    statistic: Decimal
    low: Decimal | None
    high: Decimal | None
    alarm: bool


def begun(plan: Plan) -> Moving:
    """Return a statistic that stands at its target, as when somebody looked into an alarm: what
    led there is forgotten, and a bias that goes on has to leave the limits once more."""
    window = () if plan.kind == "ewma" else (plan.target,) * plan.size
    return Moving(window, plan.target)


def step(plan: Plan, moving: Moving, result: Decimal) -> tuple[Moving, Reading | None]:
    """Take one more result; no reading while it is left out or the window is not full."""
    value = _counted(plan, result)
    if value is None:
        return moving, None
    with localcontext(PLENTY):
        moving = _moved(plan, moving, value)
        if moving.value is None:
            return moving, None
        low, high = limits(plan, moving.count)
        beyond = (low is not None and moving.value < low) or (
            high is not None and moving.value > high
        )
        reading = Reading(moving.value, low, high, beyond)
        return replace(moving, alarmed=beyond), reading


def readings(plan: Plan, results: Iterable[Decimal]) -> Iterator[Reading | None]:
    """Yield the reading after each of a series of results, from a fresh start."""
    moving = Moving()
    for result in results:
        moving, reading = step(plan, moving, result)
        yield reading


def limits(plan: Plan, count: int) -> tuple[Decimal | None, Decimal | None]:
    """Return the control limits after `count` counted results."""
    if plan.low is not None or plan.high is not None or plan.sd is None:
        return plan.low, plan.high
    with localcontext(PLENTY):
        half = plan.width * plan.sd * spread(plan, count)
        return plan.target - half, plan.target + half


def spread(plan: Plan, count: int) -> Decimal:
    """Return the SD of the statistic as a share of the SD of single results.

    For a moving median the share of a mean is taken, times √(π/2), its value for many values of a
    normal distribution.
    """
    with localcontext(PLENTY):
        if plan.kind == "ewma":
            weight = plan.weight
            settled = 1 - (1 - weight) ** (2 * count)
            return (weight / (2 - weight) * settled).sqrt()
        share = 1 / Decimal(plan.size).sqrt()
        return share if plan.kind == "mean" else share * _ROOT_OF_HALF_PI


_ROOT_OF_HALF_PI = Decimal("1.2533141373155002512")


def _counted(plan: Plan, result: Decimal) -> Decimal | None:
    for limit, beyond in (
        (plan.lowest, plan.lowest is not None and result < plan.lowest),
        (plan.highest, plan.highest is not None and result > plan.highest),
    ):
        if beyond:
            return limit if plan.outside == "cap" else None
    return result


def _moved(plan: Plan, moving: Moving, value: Decimal) -> Moving:
    count = moving.count + 1
    if plan.kind == "ewma":
        before = plan.target if moving.value is None else moving.value
        return Moving((), plan.weight * value + (1 - plan.weight) * before, count, moving.alarmed)
    window = (*moving.window, value)[-plan.size :]
    full = len(window) == plan.size
    return Moving(window, _middle(plan.kind, window) if full else None, count, moving.alarmed)


def _middle(kind: Kind, window: Sequence[Decimal]) -> Decimal:
    if kind == "mean":
        return sum(window, Decimal(0)) / len(window)
    ordered, half = sorted(window), len(window) // 2
    return ordered[half] if len(window) % 2 else (ordered[half - 1] + ordered[half]) / 2
