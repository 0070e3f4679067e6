"""How soon a watched statistic tells that a method has moved, and which plan tells it soonest.

A bias is put onto stored results at many places and the results until the alarm are counted: the
bias detection curve (van Rossum HH, Kemperman H, Clin Chem Lab Med 2017;55:1959, from memory).
"""

from collections.abc import Callable, Iterator, Sequence
from decimal import ROUND_CEILING, Decimal, localcontext
from math import ceil, exp

from msgspec import Struct
from msgspec.structs import replace

from verifier.quality.figures import PLENTY
from verifier.quality.moving import Moving, Plan, readings, step

PLACES = 50  # of the history where a bias is let begin
_HORIZON = 1000  # results after which a bias counts as not detected


class Detection(Struct, frozen=True):
    """What became of one bias, in percent: results until the alarm, over all places tried.

    `median` and `most` (95 of 100 places) are None when the bias was found at too few of them.
    """

    bias: Decimal
    places: int
    found: int
    median: int | None
    most: int | None


class Alarms(Struct, frozen=True):
    """The false alarms `began` on `results` that are taken to be unbiased."""

    began: int
    results: int

    @property
    def rate(self) -> Decimal:
        """How many that is per 1,000 results."""
        return Decimal(1000 * self.began) / max(1, self.results)

    @property
    def at_most(self) -> Decimal:
        """The greatest rate per 1,000 results this fits with, with 95 % confidence."""
        return 1000 * at_most(self.began) / max(1, self.results)


class Tuned(Struct, frozen=True):
    """A plan, its false alarms and its detection curve, both on results its limits are not from."""

    plan: Plan
    alarms: Alarms
    curve: tuple[Detection, ...]


def at_most(count: int) -> Decimal:
    """Return the upper 95 % bound of what is expected where `count` events were seen.

    The mean of a Poisson distribution of which so few or fewer come in one of twenty cases (Garwood
    F, Biometrika 1936;28:437, from memory); for none it is the rule of three (Hanley JA,
    Lippman-Hand A, JAMA 1983;249:1743, from memory).
    """
    low, high = float(count), 3.0 * count + 10
    while high - low > 1e-6:
        middle = (low + high) / 2
        low, high = (middle, high) if _so_few(count, middle) > 0.05 else (low, middle)
    return round(Decimal(high), 4)


def _so_few(count: int, expected: float) -> float:
    """Return how probable `count` events or fewer are where so many are expected."""
    term = total = exp(-expected)
    for number in range(1, count + 1):
        term *= expected / number
        total += term
    return total


def needed(alarms: Decimal) -> int:
    """Return how many results without one false alarm show that a rate per 1,000 is kept."""
    return ceil(1000 * at_most(0) / alarms) if alarms > 0 else 0


def false_alarms(plan: Plan, history: Sequence[Decimal], after: int = 0) -> Alarms:
    """Return the alarms begun on a history that is taken to be unbiased.

    Only those results count that come `after` so many and moved the statistic.
    """
    began, counted, before = 0, 0, False
    for at, reading in enumerate(readings(plan, history)):
        if reading is None:
            continue
        if at >= after:
            began += reading.alarm and not before
            counted += 1
        before = reading.alarm
    return Alarms(began, counted)


def detection(
    plan: Plan, history: Sequence[Decimal], biases: Sequence[Decimal], places: int = PLACES
) -> tuple[Detection, ...]:
    """Return the detection curve of a plan for biases in percent.

    The history goes on at its beginning where it ends, so that every place has enough after it.
    """
    return tuple(_found(plan, history, bias, places) for bias in biases)


def _found(plan: Plan, history: Sequence[Decimal], bias: Decimal, places: int) -> Detection:
    counts = [
        _until_alarm(plan, history, start, 1 + bias / 100) for start in _starts(history, places)
    ]
    told = sorted(count for count in counts if count is not None)
    return Detection(bias, len(counts), len(told), _rank(told, counts, 50), _rank(told, counts, 95))


def _starts(history: Sequence[Decimal], places: int) -> list[int]:
    return sorted({len(history) * place // places for place in range(places)})


def _until_alarm(plan: Plan, history: Sequence[Decimal], start: int, factor: Decimal) -> int | None:
    """Return how many biased results it takes; a false alarm that already stood does not count."""
    moving = _settled(plan, history, start)
    for count, value in enumerate(_onward(history, start, _HORIZON), 1):
        moving, reading = step(plan, moving, value * factor)
        if reading and reading.alarm:
            return count
    return None


def _settled(plan: Plan, history: Sequence[Decimal], start: int) -> Moving:
    before = 3 * max(plan.size, int(1 / plan.weight))
    moving = Moving()
    for value in _onward(history, start - before, before):
        moving, _ = step(plan, moving, value)
    return moving


def _onward(history: Sequence[Decimal], start: int, count: int) -> Iterator[Decimal]:
    for at in range(start, start + count):
        yield history[at % len(history)]


def _rank(told: Sequence[int], counts: Sequence[int | None], percent: int) -> int | None:
    """Return the nearest-rank percentile over all places; None when it is a bias not found."""
    rank = -(-len(counts) * percent // 100)
    return told[rank - 1] if 0 < rank <= len(told) else None


def percentile(values: Sequence[Decimal], percent: Decimal) -> Decimal:
    """Return the nearest-rank percentile of values."""
    ordered = sorted(values)
    rank = int((len(ordered) * percent / 100).to_integral_value(ROUND_CEILING))
    return ordered[min(max(rank, 1), len(ordered)) - 1]


def with_limits(plan: Plan, history: Sequence[Decimal], alarms: Decimal) -> Plan:
    """Return a plan with control limits that its own history leaves about `alarms` per 1,000 times.

    The statistic need not be normally distributed: the limits are its percentiles on the history.
    """
    found = [reading.statistic for reading in readings(plan, history) if reading]
    tail = alarms / 20  # percent on each side
    return replace(plan, low=percentile(found, tail), high=percentile(found, 100 - tail))


def candidates(history: Sequence[Decimal]) -> Iterator[Plan]:
    """Yield the plans worth trying on a history: kinds, sizes, with and without truncation."""
    with localcontext(PLENTY):
        middle = percentile(history, Decimal(50))
        cuts = (None, None), (percentile(history, Decimal(5)), percentile(history, Decimal(95)))
        for lowest, highest in cuts:
            kept = [v for v in history if lowest is None or lowest <= v <= (highest or v)]
            target = sum(kept, Decimal(0)) / len(kept)
            for size in (10, 20, 50, 100):
                yield Plan("mean", target, size, lowest=lowest, highest=highest)
                if lowest is None:
                    yield Plan("median", middle, size)
            for weight in ("0.02", "0.05", "0.1", "0.2"):
                yield Plan("ewma", target, 1, Decimal(weight), lowest, highest)


def tune(
    history: Sequence[Decimal],
    biases: Sequence[Decimal],
    aim: Decimal,
    alarms: Decimal = Decimal(1),
    told: Callable[[int, int], None] = lambda done, of: None,
) -> list[Tuned]:
    """Return plans with limits from the history, the one that finds ±`aim` percent soonest first.

    Plans are made and ranked on the first half of the history. What is said of them is found on the
    second: limits always look well on the results they were made of.

    Args:
        history: results in the order they were measured, taken to be unbiased.
        biases: biases of the detection curve, in percent.
        aim: the bias that must be found, in percent, in both directions.
        alarms: false alarms accepted per 1,000 results.
        told: called with plans done and plans in all.
    """
    half = len(history) // 2
    first, second = history[:half], history[half:]
    plans = [plan for plan in candidates(first) if plan.size * 3 <= half]
    ranked = []
    for done, plan in enumerate(plans, 1):
        limited = with_limits(plan, first, alarms)
        ranked.append((_slowness(limited, first, aim), done, limited))
        told(done, len(plans))
    best = [plan for _, _, plan in sorted(ranked, key=lambda each: each[:2])]
    return [
        Tuned(plan, false_alarms(plan, history, half), detection(plan, second, biases))
        for plan in best[:3]
    ]


def _slowness(plan: Plan, history: Sequence[Decimal], aim: Decimal) -> tuple[int, int]:
    both = detection(plan, history, (-aim, aim), places=20)
    worst = max(_HORIZON + 1 if each.most is None else each.most for each in both)
    return worst, sum(_HORIZON if each.median is None else each.median for each in both)
