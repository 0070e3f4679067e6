"""SIGKILL at each named step of the line, under traffic, one after the other; then the books must
balance."""

import random
import signal
from collections.abc import Iterator
from pathlib import Path

from databases import ON_POSTGRES
from service.laboratory import ack_for, eventually

from faults.house import House, balance, house_and_lis, traffic, wait_for_death
from faults.model import Books
from faults.steps import STEPS, Step

AT_START = ("first start", "start")


def unreliable(n: int, message: bytes) -> bytes | None:
    """A LIS that refuses some messages and leaves some without an answer."""
    if n % 7 == 0:
        return ack_for(message, "AE")
    return None if n % 7 == 3 else ack_for(message)


def die(house: House, books: Books, name: str, step: Step, nth: int) -> None:
    before = books.acknowledged
    ready = house.start(name, nth)  # traffic may come before the service says that it is ready
    assert not (ready and step.by in AT_START), f"{name}: dies too late"
    if step.by == "stop":
        eventually(lambda: books.acknowledged > before)
        house.signal(signal.SIGTERM)
    assert wait_for_death(house), f"{name}: the service never came there"
    house.forget()


def steps_here(round_number: int) -> Iterator[tuple[str, Step]]:
    """Yield what can be reached: a database is made once, and by the tests on PostgreSQL."""
    for name, step in STEPS.items():
        first = step.by == "first start"
        of_file = "sqlite:" in step.place or (first and "Notary" not in step.place)
        if not (round_number and first) and not (ON_POSTGRES and of_file):
            yield name, step


def test_killed_at_each_step(tmp_path: Path, campaign: int) -> None:
    rng = random.Random(4)
    books = Books()
    with house_and_lis(
        tmp_path, unreliable, settings={"answer_seconds = 2": "answer_seconds = 0.3"}
    ) as (house, lis):
        with traffic(house, books) as analyzers:
            for round_number in range(1 + campaign // len(STEPS)):
                for name, step in steps_here(round_number):
                    often = rng.randint(1, 3) if step.by == "traffic" else 1
                    die(house, books, name, step, often if round_number else 1)
            house.start()
        balance(house, books, lis)
    assert books.acknowledged > 0
    assert sum(analyzer.broken_off for analyzer in analyzers) > 0
