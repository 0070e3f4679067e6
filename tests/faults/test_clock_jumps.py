"""The time of day is set forward and back while traffic runs: nothing is lost, doubled, put out of
order or kept waiting until the clock has caught up."""

import random
import threading
from pathlib import Path

import pytest
from databases import database_url
from service.laboratory import ack_for, eventually

from faults.house import House, balance, house_and_lis, traffic
from faults.model import Books
from verifier.store.store import Store

HOUR, DAY = 3600.0, 86400.0
JUMPS = [HOUR, -30 * DAY, 400 * DAY]


@pytest.mark.parametrize("killed", [False, True], ids=["running", "killed"])
def test_the_clock_is_set(tmp_path: Path, campaign: int, killed: bool) -> None:
    """Each time while a message waits to be sent again, as the LIS does not answer. `killed`: the
    service is killed then and starts with the clock as it is."""
    rng = random.Random(campaign)
    jumps = JUMPS + [rng.uniform(-99, 400) * DAY for _ in range(campaign // 10)]
    books = Books()
    silent = threading.Event()

    def answer(n: int, message: bytes) -> bytes | None:
        return None if silent.is_set() else ack_for(message)

    pauses = {"retry_seconds = 0.05": "retry_seconds = 1"}
    with house_and_lis(tmp_path, answer, settings=pauses, answer_seconds=0.2) as (house, lis):
        house.set_clock(-100 * DAY)  # before its first rules a service does not start
        house.start()
        with traffic(house, books):
            for seconds in jumps:
                taken = books.acknowledged
                eventually(lambda t=taken: books.acknowledged > t + 2, 60)
                silent.set()
                put_off(house)
                house.set_clock(seconds)
                if killed:
                    house.kill()
                    house.start()
                silent.clear()
                delivered = len(lis.received)
                eventually(lambda d=delivered: len(lis.received) > d + 3, 60)
        balance(house, books, lis)


def put_off(house: House) -> None:
    """Wait until a message is to go again after a pause."""
    url = database_url(house.folder)
    with Store.open(url, checkpoints=house.folder / "checkpoints", writable=False) as store:
        eventually(
            lambda: any(row.attempts for row in store.read(lambda r: r.outbox("lis", 1))), 60
        )
