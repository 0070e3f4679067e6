"""SIGKILL at random instants under load, again and again; then the books must balance."""

import random
import time
from pathlib import Path

from service.laboratory import eventually

from faults.house import balance, house_and_lis, traffic
from faults.model import Books

KILLS = 8
SEED = 20260105


def test_kills_under_load_lose_nothing_and_double_nothing(tmp_path: Path, campaign: int) -> None:
    rng = random.Random(SEED + campaign)
    books = Books()
    kills = campaign or KILLS
    with house_and_lis(tmp_path) as (house, lis):
        with traffic(house, books) as analyzers:
            for _ in range(kills):
                before = books.acknowledged
                house.start()
                eventually(lambda b=before: books.acknowledged > b, 60)
                time.sleep(rng.uniform(0, 0.4))
                house.kill()
            house.start()
        balance(house, books, lis)
    print(
        f"{kills} kills: {len(books.sent)} messages sent, {books.acknowledged} acknowledged, "
        f"{len(lis.received)} at the LIS, "
        f"{sum(analyzer.broken_off for analyzer in analyzers)} times broken off"
    )
    assert books.acknowledged > kills
    assert sum(analyzer.broken_off for analyzer in analyzers) > 0, "no kill met a message"
