"""Earlier results: previous, lowest, highest, change, percent change, within a window.

By collection time, same test and specimen type, verified results only. The window includes its
far end: exactly 48 hours ago is within 48 hours.
"""

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal

from verifier.facts.case import Earlier
from verifier.facts.values import Between, Number
from verifier.language.comparing import Run
from verifier.language.scene import ARITHMETIC, Quantity, Scene, computed
from verifier.language.truth import Missing, Unknown

NO_TIME = Unknown(Missing("collection time", "no time", "the collection time is missing"))
_HUNDRED = Decimal(100)


class Past:
    """The earlier results of one test within one window."""

    __slots__ = ("_none", "_test", "_unit", "_window")

    def __init__(self, test: str, title: str, unit: str, window: timedelta, words: str) -> None:
        self._test, self._unit, self._window = test, unit, window
        text = f"there is no earlier {title} within {words}"
        self._none = Unknown(Missing(f"earlier {test}", "no earlier", text))

    def within(self, scene: Scene) -> list[Earlier] | Unknown:
        """Return the earlier results that count, newest first, or why there are none."""
        found = scene.case.earlier.get(self._test)
        if not found:
            return self._none
        collected = scene.collected
        if collected is None:
            return NO_TIME
        start, specimen = collected - self._window, scene.case.specimen
        counted = [
            item
            for item in found
            if start <= item.collected < collected
            and (item.specimen_type == specimen.type or not (item.specimen_type and specimen.type))
            and item.unit == self._unit
            and item.specimen != specimen.key
        ]
        counted.sort(key=lambda item: item.collected, reverse=True)
        return counted or self._none

    def previous(self, scene: Scene) -> Quantity:
        """Return the newest earlier value."""
        found = self.within(scene)
        return found if isinstance(found, Unknown) else self._quantity(found[0])

    def lowest(self, scene: Scene) -> Quantity:
        """Return the lowest earlier value; a censored one among them makes it unknown."""
        return self._extreme(scene, min)

    def highest(self, scene: Scene) -> Quantity:
        """Return the highest earlier value; a censored one among them makes it unknown."""
        return self._extreme(scene, max)

    def _extreme(self, scene: Scene, choose: Callable[[list[Decimal]], Decimal]) -> Quantity:
        found = self.within(scene)
        if isinstance(found, Unknown):
            return found
        quantities = [self._quantity(item) for item in found]
        numbers = [item for item in quantities if isinstance(item, Decimal)]
        if len(numbers) == len(quantities):
            return choose(numbers)
        text = f"an earlier {self._test} is not an exact number"
        return Unknown(Missing(f"earlier {self._test}", "censored", text))

    def _quantity(self, item: Earlier) -> Quantity:
        match item.value:
            case Number(value):
                return value
            case Between() as between:
                return between
            case _:
                text = f"the earlier {self._test} is not a number"
                return Unknown(Missing(f"earlier {self._test}", "unreadable", text))


def change(current: Run, previous: Run, label: str) -> Run:
    """Return current less previous."""
    subtract = computed(ARITHMETIC.subtract, label)
    return lambda scene: subtract(current(scene), previous(scene))


def percent_change(current: Run, previous: Run, label: str) -> Run:
    """Return the change as percent of the previous value."""
    percent = computed(_percent, label)
    return lambda scene: percent(current(scene), previous(scene))


def _percent(current: Decimal, previous: Decimal) -> Decimal:
    difference = ARITHMETIC.subtract(current, previous)
    return ARITHMETIC.divide(ARITHMETIC.multiply(_HUNDRED, difference), previous)
