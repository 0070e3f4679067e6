"""The time of day is set forward and back while traffic runs: nothing is lost, doubled, put out of
order or kept waiting until the clock has caught up."""

import random
from pathlib import Path

import pytest
from service.laboratory import ack_for, eventually

from faults.house import balance, house_and_lis, traffic
from faults.model import Books

HOUR, DAY = 3600.0, 86400.0
JUMPS = [HOUR, -HOUR, -30 * DAY, 400 * DAY, 0.0]


def unanswering(n: int, message: bytes) -> bytes | None:
    """Leave some without an answer, so that there is always something that is to go again."""
    return None if n % 3 == 1 else ack_for(message)


@pytest.mark.parametrize("killed", [False, True], ids=["running", "killed"])
def test_the_clock_is_set(tmp_path: Path, campaign: int, killed: bool) -> None:
    """`killed`: the service is killed at each jump and starts with the clock as it is then."""
    rng = random.Random(campaign)
    jumps = JUMPS + [rng.uniform(-99, 400) * DAY for _ in range(campaign // 10)]
    books = Books()
    with house_and_lis(tmp_path, unanswering, answer_seconds=0.2) as (house, lis):
        house.set_clock(-100 * DAY)  # before its first rules a service does not start
        house.start()
        with traffic(house, books):
            for seconds in jumps:
                taken, delivered = books.acknowledged, len(lis.received)
                eventually(lambda t=taken: books.acknowledged > t + 2, 60)
                house.set_clock(seconds)
                if killed:
                    house.kill()
                    house.start()
                eventually(lambda d=delivered: len(lis.received) > d + 3, 60)
        balance(house, books, lis)
