"""A clock that is set back brings nothing back and keeps nothing waiting until it catches up."""

from collections.abc import Callable
from datetime import timedelta

import pytest

from verifier.errors import RuleSetError
from verifier.service import actions
from verifier.service.ruleshelf import shelf
from verifier.service.rulestart import deciding

from .laboratory import result_message
from .test_acts import ANN, Bench, do
from .test_acts import make as make  # the fixture
from .test_rule_versions import LOWER, House
from .test_rule_versions import house as house


def test_a_version_that_was_rolled_back_does_not_decide_again(house: House) -> None:
    lower = house.approved(LOWER)
    house.order(lower)
    assert house.active() == lower
    house.clock.move(hours=1)
    house.roll_back()
    assert house.active() == 1
    house.clock.move(minutes=-30)
    assert house.active() == 1
    assert house.states() == {1: "active", lower: "was active"}
    assert deciding(house.store, house.settings, house.clock).version == 1


def test_what_is_ordered_for_later_waits_for_its_time(house: House) -> None:
    lower = house.approved(LOWER)
    house.order(lower, at=house.clock() + timedelta(hours=2))
    house.clock.move(minutes=-30)
    assert house.active() == 1
    pending = house.store.read(lambda r: shelf(r, house.clock())).course.pending
    assert pending is not None
    assert pending.version == lower


def test_before_its_first_rules_nothing_is_decided(house: House) -> None:
    house.clock.move(days=-3)
    with pytest.raises(RuleSetError, match="Set the clock"):
        deciding(house.store, house.settings, house.clock)


def test_a_release_that_may_be_taken_back_leaves_all_the_same(make: Callable[..., Bench]) -> None:
    bench = make()
    bench.take(result_message("M1", results={"potassium": "6.9"}))
    do(bench, actions.release, ANN, [0], "")
    (kept,) = bench.outbox()

    def goes(**back: float) -> bool:
        at = bench.now - timedelta(**back)
        return bench.store.read(lambda r: r.next_outgoing("lis", at)) is not None

    assert not goes(seconds=0)
    assert not goes(seconds=50), "the clocks of two nodes may differ by some seconds"
    assert goes(hours=1)
    assert kept.not_before is not None
