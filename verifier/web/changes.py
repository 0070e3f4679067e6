"""How far a result is from the one before, in words, and what the change limits say of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from decimal import ROUND_HALF_UP, Decimal

from verifier.facts.values import Number, Titer, Value
from verifier.language.changes import ChangeLimit, change_check
from verifier.language.fitting import fits
from verifier.language.limits import LimitTables
from verifier.language.scene import Scene
from verifier.web.catalogue import say
from verifier.web.earlier import Before
from verifier.web.limitlist import in_words
from verifier.web.units import readable


@dataclass(frozen=True, slots=True)
class Against:
    """One change limit and what it says: beyond it, within it, or why nothing can be said."""

    text: str
    source: str
    verdict: str
    beyond: bool


@dataclass(frozen=True, slots=True)
class Change:
    """`words` such as ``rose by 2.7 mmol/L (64 %)``, `span` between the two collections."""

    words: str
    span: timedelta
    before: Before
    limits: Sequence[Against]


def nearest(earlier: Sequence[Before]) -> Before | None:
    """Return the newest earlier value that can be compared."""
    return next((one for one in earlier if not one.apart and not one.later), None)


def change_of(
    now: Value | None,
    unit: str,
    earlier: Sequence[Before],
    scene: Scene | None,
    tables: LimitTables,
    test: str,
) -> Change | None:
    """Return the change since the newest comparable value; None where there is none to tell.

    `now` is in the unit shown; `scene` has the result of the test in hand.
    """
    before = nearest(earlier)
    if before is None or now is None or scene is None or scene.collected is None:
        return None
    said = moved(now, before.value, unit)
    if not said:
        return None
    rows = tables.changes.get(test, ()) if scene.test == test else ()
    limits = [_against(row, scene) for row in rows if fits(row, scene) is True]
    return Change(said, scene.collected - before.collected, before, limits)


def moved(now: Value, before: Value, unit: str) -> str:
    """Return what a value did since another one of the same unit, empty where it can not be told.

    Titers are told as a factor, numbers as a difference and in percent of the earlier one.
    """
    if not (isinstance(now, Number) and isinstance(before, Number)):
        return ""
    if isinstance(now, Titer) != isinstance(before, Titer):
        return ""
    if now.value == before.value:
        return say("is unchanged")
    up = now.value > before.value
    if isinstance(now, Titer):
        high, low = sorted((now.value, before.value), reverse=True)
        factor = _short(high / low)
        if up:
            return say("rose by a factor of %(factor)s", factor=factor)
        return say("fell by a factor of %(factor)s", factor=factor)
    size = abs(now.value - before.value)
    percent = f" ({_short(size / abs(before.value) * 100)} %)" if before.value else ""
    by = f"{format(size, 'f')} {readable(unit)}".rstrip() + percent
    return say("rose by %(size)s", size=by) if up else say("fell by %(size)s", size=by)


def _short(number: Decimal) -> str:
    """Return a number with one decimal below ten, without above."""
    step = Decimal("0.1") if number < 10 else Decimal(1)
    text = format(number.quantize(step, rounding=ROUND_HALF_UP), "f")
    return text.removesuffix(".0")


def _against(row: ChangeLimit, scene: Scene) -> Against:
    truth = change_check([row], lambda s: s.result, scene.test).truth(scene)
    text = in_words(row.text)
    if truth is True:
        return Against(text, row.source, say("further than that"), beyond=True)
    if truth is False:
        return Against(text, row.source, say("not further than that"), beyond=False)
    return Against(text, row.source, "; ".join(truth.sentences()), beyond=False)
