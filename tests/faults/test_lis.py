"""What a LIS may do wrong: every result still reaches it, in order, under one control id."""

import os
from pathlib import Path

import pytest
from service.laboratory import Behaviour, Sender, ack_for, eventually

from faults.house import House, balance, house_and_lis
from faults.lis import RawLis, answers_twice, closes_at, slow_reader
from faults.model import Books

QUICK = {
    "answer_seconds = 2": "answer_seconds = 0.3",
    "retry_most_seconds = 1": "retry_most_seconds = 0.1",
}


def send_some(house: House, books: Books, count: int = 6) -> None:
    """Two results and a withdrawal for each of some specimens."""
    with Sender(house.chem) as sender:
        for number in range(count):
            name = f"SP{number}"
            books.ordered.add(name)
            for at, step in enumerate(
                [("sodium", "140", "F"), ("potassium", "4.1", "F"), ("sodium", "140", "W")]
            ):
                sent = books.write(f"{name}-{at}", name, *step)
                sent.answers.append(sender.send(sent.raw))


def silent_at_first(n: int, message: bytes) -> bytes | None:
    return None if n <= 5 else ack_for(message)


def for_others_at_times(n: int, message: bytes) -> bytes:
    return ack_for(message, control_id="OTHER" if n % 4 == 1 else None)


def refuses(n: int, message: bytes) -> bytes:
    return ack_for(message, "AE")


MANNERS: dict[str, Behaviour] = {
    "no answer at first": silent_at_first,
    "answers to other messages": for_others_at_times,
    "AE for ever": refuses,
}


@pytest.mark.parametrize("manner", MANNERS)
def test_answers_as_they_should_not_be(tmp_path: Path, manner: str) -> None:
    books = Books()
    with house_and_lis(tmp_path, MANNERS[manner], settings=QUICK) as (house, lis):
        house.start()
        send_some(house, books)
        balance(house, books, lis)
        if manner == "AE for ever":
            assert len(lis.received) == 18, "what was refused is not sent again"


@pytest.mark.parametrize("code", ["AA", "AE"])
def test_every_answer_twice(tmp_path: Path, code: str) -> None:
    """The first one counts, the second is in nobody's way."""
    books = Books()
    with RawLis(answers_twice(code)) as lis:
        house = House(tmp_path, lis.port)
        house.start()
        send_some(house, books)
        balance(house, books, lis)
        assert len(lis.received) == 18, "nothing had to be sent again"


def test_closed_at_each_byte(tmp_path: Path, campaign: int) -> None:
    """Of the message and of the answer; each byte in a campaign, some of them otherwise."""
    books = Books()
    sample = books.write("SP0-0", "SP0", "sodium", "140").raw
    most = len(sample) + 200
    with RawLis(closes_at(0, 1 if campaign else 17, most)) as lis:
        patient = {"retry_most_seconds = 1": "retry_most_seconds = 0.01"}
        patient["retry_seconds = 0.05"] = "retry_seconds = 0.01"
        house = House(tmp_path, lis.port, settings=patient)
        house.start()
        send_some(house, books, 2)
        balance(house, books, lis, 300)
        assert lis.connections > most // 17


def test_a_lis_that_reads_slowly(tmp_path: Path) -> None:
    """It gets the message once it reads; the attempts before leave nothing open behind them. A
    message must be larger than what the system takes off the service's hands."""
    books = Books()
    slow = 5
    with RawLis(slow_reader(slow, 60)) as lis:
        large = {"[connections.chem]\n": "[connections.chem]\nmax_message_bytes = 50000000\n"}
        house = House(
            tmp_path,
            lis.port,
            settings={**large, "retry_most_seconds = 1": "retry_most_seconds = 0.1"},
            answer_seconds=0.8,
        )
        house.start()
        with Sender(house.chem) as sender:
            for number in range(2):
                sent = books.write(f"SP{number}-0", f"SP{number}", "sodium", "140")
                sent.raw += b"".join(b"NTE|%d||%s\r" % (n, b"x" * 4000) for n in range(1, 1800))
                sent.answers.append(sender.send(sent.raw))
        before = open_sockets(house)
        eventually(lambda: lis.connections > slow, 60)
        assert open_sockets(house) <= before + 2
        balance(house, books, lis)


def open_sockets(house: House) -> int:
    folder = f"/proc/{house.pid}/fd"
    return sum(os.readlink(f"{folder}/{name}").startswith("socket:") for name in os.listdir(folder))
