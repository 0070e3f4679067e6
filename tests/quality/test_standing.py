"""How a test stands on an analyzer, as its controls go by."""

from datetime import UTC, datetime, timedelta

from verifier.quality.runs import Made, runs
from verifier.quality.standing import Judged, Limits, Standing, standing

EIGHT = datetime(2026, 3, 2, 8, tzinfo=UTC)
LEVELS = ("low", "high")
DAY = Limits(hours=timedelta(hours=24))


def at(minutes: int) -> datetime:
    return EIGHT + timedelta(minutes=minutes)


def good(level: str, minutes: int, *warned: str) -> Judged:
    return Judged(level, at(minutes), warned=warned)


def bad(level: str, minutes: int, *rules: str) -> Judged:
    return Judged(level, at(minutes), rejected=rules or ("1-3s",))


def state(
    *points: Judged, actions: tuple[int, ...] = (), now: int = 120, **more: object
) -> Standing:
    limits = Limits(hours=DAY.hours, **more)  # type: ignore[arg-type]
    return standing(LEVELS, points, [at(a) for a in actions], limits, at(now))


def test_no_level_defined() -> None:
    assert standing((), (), (), DAY, EIGHT).state == "no control defined"


def test_every_level_must_have_been_measured() -> None:
    assert state().state == "overdue"
    half = state(good("low", 0))
    assert (half.state, half.why) == ("overdue", "not measured: high")
    both = state(good("low", 0), good("high", 1))
    assert (both.state, both.due, both.vouched) == ("in control", at(24 * 60), at(0))


def test_the_oldest_level_decides_when_controls_are_due() -> None:
    points = good("low", 0), good("high", 600)
    assert state(*points, now=24 * 60).state == "in control"
    assert state(*points, now=24 * 60 + 1).state == "overdue"
    assert standing(LEVELS, points, (), Limits(), at(99_999)).state == "in control"


def test_a_warning_stands_until_the_level_is_measured_again() -> None:
    points = good("low", 0, "1-2s"), good("high", 1)
    warned = state(*points)
    assert (warned.state, warned.why) == ("warning", "low: 1-2s")
    assert state(*points, good("low", 2)).state == "in control"


def test_a_failure_stands_until_an_action_and_good_controls_of_every_level() -> None:
    points = [good("low", 0), good("high", 1), good("low", 60), bad("high", 61)]
    failed = state(*points)
    assert (failed.state, failed.since, failed.good) == ("out of control", at(61), at(1))
    assert failed.latest == at(61)
    assert "high: 1-3s" in failed.why
    points += [good("low", 70), good("high", 71)]
    assert state(*points).state == "out of control", "a repeat alone mends nothing"
    assert state(*points, actions=(75,)).state == "out of control", "nor does the action alone"
    assert state(*points, good("high", 80), actions=(75,)).state == "out of control"
    mended = state(*points, good("high", 80), good("low", 81), actions=(75,))
    assert (mended.state, mended.since, mended.good) == ("in control", None, None)


def test_a_failure_after_the_action_begins_again_but_keeps_its_beginning() -> None:
    points = [good("low", 0), good("high", 1), bad("high", 61), good("low", 80), bad("high", 81)]
    failed = state(*points, good("high", 90), good("low", 91), actions=(75,))
    assert (failed.state, failed.since, failed.good) == ("out of control", at(61), at(1))
    assert failed.latest == at(81)


def test_good_controls_may_be_enough_where_that_is_chosen() -> None:
    points = [good("low", 0), good("high", 1), bad("high", 61)]
    assert state(*points, good("high", 70), recovery="good controls").state == "out of control"
    mended = state(*points, good("high", 70), good("low", 71), recovery="good controls")
    assert mended.state == "in control"


def test_an_action_asks_for_controls_even_when_nothing_failed() -> None:
    points = good("low", 0), good("high", 1)
    told = state(*points, actions=(30,))
    assert (told.state, told.why) == (
        "overdue",
        "not measured since the corrective action: low, high",
    )


def test_a_failure_older_than_what_is_looked_at_stands() -> None:
    old = Standing("out of control", "high: 1-3s", at(-900), at(-890), at(-960))
    points = good("low", 0), good("high", 1)
    told = standing(LEVELS, points, (), DAY, at(5), old)
    assert (told.state, told.since, told.good) == ("out of control", at(-900), at(-960))
    assert standing(LEVELS, points, [at(-1)], DAY, at(5), old).state == "in control"


def test_runs_by_time_by_repeat_and_by_name() -> None:
    hour = timedelta(minutes=60)
    made = [Made("low", at(0)), Made("high", at(5)), Made("low", at(10)), Made("high", at(80))]
    assert runs(made, hour) == ("1", "1", "2", "3")
    named = [Made("low", at(0), "A"), Made("low", at(1), "A"), Made("high", at(2))]
    assert runs(named, hour) == ("named A", "named A", "1")
