"""What senders may do wrong: resend too early, out of order, interleaved, slowly, and vanish."""

import random
import threading
import time
from pathlib import Path

from service.laboratory import END, START, Sender, eventually

from faults.house import House, balance, house_and_lis
from faults.model import Books, Sent

TURNS = [
    ("sodium", "140", "F"), ("sodium", "140", "F"), ("sodium", "142", "F"), ("sodium", "170", "F"),
    ("sodium", "141", "C"), ("sodium", "140", "W"), ("potassium", "4.1", "F"),
    ("potassium", "6.9", "F"), ("potassium", "4.4", "C"), ("potassium", "4.1", "W"),
]  # fmt: skip


def send(port: int, sent: Sent) -> None:
    with Sender(port) as sender:
        sent.answers.append(sender.send(sent.raw))


def test_resent_after_a_time_out_that_was_too_short(tmp_path: Path, campaign: int) -> None:
    """The sender gave up waiting, or broke off, and comes again on another connection."""
    rng = random.Random(campaign)
    books = Books()
    with house_and_lis(tmp_path) as (house, lis):
        house.start()
        for number in range(20 + campaign):
            sent = books.write(f"T{number}", f"SP{number}", "sodium", "140")
            impatient = [Sender(rng.choice((house.chem, house.second))) for _ in range(3)]
            for sender in impatient:
                sender.write(START + sent.raw + END)
                time.sleep(rng.choice((0, 0, 0.01)))
            late = impatient if rng.random() < 0.5 else []
            send(house.chem, sent)
            sent.answers += [sender.answer() for sender in late]
            for sender in impatient:
                sender.close()
        balance(house, books, lis)
    assert all(sent.acknowledged for sent in books.sent.values())


def test_out_of_order(tmp_path: Path, campaign: int) -> None:
    """Corrections and withdrawals before what they change, values after their withdrawal."""
    rng = random.Random(campaign)
    books = Books()
    with house_and_lis(tmp_path) as (house, lis):
        house.start()
        with Sender(house.chem) as sender:
            for number in range(25 + campaign):
                books.ordered.add(f"SP{number}")
                for at, turn in enumerate(rng.choices(TURNS, k=5)):
                    sent = books.write(f"O{number}-{at}", f"SP{number}", *turn)
                    sent.answers.append(sender.send(sent.raw))
        balance(house, books, lis)
    assert lis.received


def test_interleaved_on_two_connections(tmp_path: Path, campaign: int) -> None:
    """Pieces of two messages of one specimen come in turns; at times both are the same one."""
    rng = random.Random(campaign)
    books = Books()
    with house_and_lis(tmp_path) as (house, lis):
        house.start()
        with Sender(house.chem) as one, Sender(house.second) as other:
            for number in range(25 + campaign):
                first = books.write(f"I{number}-0", f"SP{number}", "sodium", "140")
                second = first
                if rng.random() < 0.7:
                    second = books.write(f"I{number}-1", f"SP{number}", "potassium", "4.1")
                in_turns(rng, (one, first), (other, second))
                first.answers.append(one.answer())
                second.answers.append(other.answer())
        balance(house, books, lis)
    assert all(sent.acknowledged for sent in books.sent.values())


def in_turns(rng: random.Random, *pairs: tuple[Sender, Sent]) -> None:
    left = [(sender, START + sent.raw + END) for sender, sent in pairs]
    while left:
        sender, data = left.pop(rng.randrange(len(left)))
        size = rng.randint(1, 200)
        sender.write(data[:size])
        if data[size:]:
            left.append((sender, data[size:]))


def test_slow_ones_and_vanished_ones_keep_nobody_waiting(tmp_path: Path) -> None:
    """One sends a byte at a time, others stop in the middle of a message and are never heard of
    again, as behind a cable that was cut; when their time is over their places are free."""
    books = Books()
    few = {"[connections.chem]\n": "[connections.chem]\nmax_connections = 4\nidle_seconds = 1.5\n"}
    with house_and_lis(tmp_path, settings=few) as (house, lis):
        house.start()
        vanished = [Sender(house.chem) for _ in range(2)]
        for number, sender in enumerate(vanished):
            sent = books.write(f"V{number}", f"SP-V{number}", "sodium", "140")
            sender.write((START + sent.raw)[: 200 * number])
        slow = books.write("SLOW", "SP-SLOW", "sodium", "140")
        thread = threading.Thread(target=byte_by_byte, args=(house, slow))
        thread.start()
        for number in range(20):
            send(house.chem, books.write(f"Q{number}", f"SP-Q{number}", "sodium", "140"))
        thread.join()
        more = [Sender(house.chem) for _ in range(4)]
        sent = books.write("LAST", "SP-LAST", "sodium", "140")
        eventually(lambda: taken(house, sent))
        for sender in vanished + more:
            sender.close()
        balance(house, books, lis)
    assert slow.acknowledged
    assert not books.sent["V1"].acknowledged


def byte_by_byte(house: House, sent: Sent) -> None:
    with Sender(house.chem) as sender:
        for byte in START + sent.raw + END:
            sender.write(bytes([byte]))
            time.sleep(0.003)
        sent.answers.append(sender.answer())


def taken(house: House, sent: Sent) -> bool:
    try:
        send(house.chem, sent)
    except OSError:  # closed at once: all places are taken
        return False
    return True
