"""Earlier results within a window: previous, lowest, highest, median, change, rates.

By collection time, same test and specimen type, verified results only. The window includes its
far end: exactly 48 hours ago is within 48 hours.
"""

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal

from verifier.facts.case import Earlier
from verifier.facts.values import TITER, Between, Number, Titer, TiterBetween
from verifier.language.comparing import Run
from verifier.language.scene import ARITHMETIC, Quantity, Scene, computed
from verifier.language.truth import Missing, Unknown

NO_TIME = Unknown(Missing("collection time", "no time", "the collection time is missing"))
_HUNDRED = Decimal(100)
_TICK = timedelta(microseconds=1)
TICKS = {  # of what a rate can be for
    "day": Decimal(timedelta(days=1) // _TICK),
    "hour": Decimal(timedelta(hours=1) // _TICK),
}


class Past:
    """The earlier results of one test within one window."""

    __slots__ = ("_none", "_test", "_window", "unit", "words")

    def __init__(self, test: str, title: str, unit: str, window: timedelta, words: str) -> None:
        self._test, self.unit, self._window, self.words = test, unit, window, words
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
            and self._comparable(item)
            and item.specimen != specimen.key
        ]
        counted.sort(key=lambda item: item.collected, reverse=True)
        return counted or self._none

    def _comparable(self, item: Earlier) -> bool:
        titer = isinstance(item.value, Titer | TiterBetween)
        return titer if self.unit == TITER else item.unit == self.unit and not titer

    def previous(self, scene: Scene) -> Quantity:
        """Return the newest earlier value."""
        found = self.within(scene)
        return found if isinstance(found, Unknown) else self._quantity(found[0])

    def ticks_since(self, scene: Scene) -> Decimal | Unknown:
        """Return the microseconds between the newest earlier collection and this one."""
        found = self.within(scene)
        if isinstance(found, Unknown):
            return found
        assert scene.collected is not None
        return Decimal((scene.collected - found[0].collected) // _TICK)

    def lowest(self, scene: Scene) -> Quantity:
        """Return the lowest earlier value; a censored one among them makes it unknown."""
        return self._of_all(scene, min)

    def highest(self, scene: Scene) -> Quantity:
        """Return the highest earlier value; a censored one among them makes it unknown."""
        return self._of_all(scene, max)

    def median(self, scene: Scene) -> Quantity:
        """Return the median; of an even number of values, the mean of the middle two."""
        return self._of_all(scene, _median)

    def _of_all(self, scene: Scene, choose: Callable[[list[Decimal]], Decimal]) -> Quantity:
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


def rate(current: Run, past: Past, each: str, label: str) -> Run:
    """Return the change for each ``day`` or ``hour`` that lies between the two collections.

    One division, the last step: 1 mmol/L in 8 hours is exactly 3 mmol/L for each day.
    """
    ticks = TICKS[each]
    scaled = computed(
        lambda now, before: ARITHMETIC.multiply(ARITHMETIC.subtract(now, before), ticks), label
    )
    divide = computed(ARITHMETIC.divide, label)

    def run(scene: Scene) -> Quantity:
        return divide(scaled(current(scene), past.previous(scene)), past.ticks_since(scene))

    return run


def percent_change(current: Run, previous: Run, label: str) -> Run:
    """Return the change as percent of the previous value."""
    percent = computed(_percent, label)
    return lambda scene: percent(current(scene), previous(scene))


def _median(values: list[Decimal]) -> Decimal:
    ordered, middle = sorted(values), len(values) // 2
    if len(values) % 2:
        return ordered[middle]
    return ARITHMETIC.divide(ARITHMETIC.add(ordered[middle - 1], ordered[middle]), Decimal(2))


def _percent(current: Decimal, previous: Decimal) -> Decimal:
    difference = ARITHMETIC.subtract(current, previous)
    return ARITHMETIC.divide(ARITHMETIC.multiply(_HUNDRED, difference), previous)
