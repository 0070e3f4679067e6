"""What listeners meet on real sockets: split, broken, endless and hostile streams, and our own
failures. The framing is that of the HL7 Implementation Guide, appendix C, section C.4.2."""

import threading
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from databases import database_url

from service.door import Door, opened
from service.laboratory import (
    END,
    START,
    Sender,
    eventually,
    result_message,
)
from verifier.errors import StoreError
from verifier.service.line import Answer
from verifier.store.store import Store
from verifier.store.transaction import Transaction

LIMIT = 4096


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    url = database_url(tmp_path)
    narrow: dict[str, Any] = {
        "max_message_bytes": LIMIT, "max_connections": 2, "idle_seconds": 5,
    }  # fmt: skip
    with (
        Store.open(url, checkpoints=tmp_path / "checkpoints") as store,
        opened(tmp_path, store, **narrow) as door,
    ):
        yield door


def accepted(answer: bytes, control_id: str) -> bool:
    return f"MSA|AA|{control_id}".encode() in answer


def test_one_byte_at_a_time_is_one_message(door: Door) -> None:
    with Sender(door.port) as sender:
        for byte in START + result_message("M1") + END:
            sender.write(bytes([byte]))
        assert accepted(sender.answer(), "M1")
    assert door.problems() == []


def test_noise_between_blocks_is_kept_and_stops_nothing(door: Door) -> None:
    with Sender(door.port) as sender:
        assert accepted(sender.send(result_message("M1")), "M1")
        sender.write(b"\n\0\nHELLO" + START + result_message("M2", specimen="S2") + END)
        assert accepted(sender.answer(), "M2")
    assert door.kept() == [b"HELLO"]


def test_a_block_cut_off_by_the_peer_is_kept_and_never_parsed(door: Door) -> None:
    whole = result_message("M1", results={"sodium": "140", "potassium": "6.9"})
    cut = whole[: whole.index(b"OBX|2")]  # what is left would read as a whole message
    with Sender(door.port) as sender:
        sender.write(START + cut)
    eventually(door.problems)
    assert door.kept() == [cut]
    assert door.store.read(lambda reader: reader.case_by_specimen("S1")) is None


def test_a_block_that_begins_inside_another_never_joins_two_patients(door: Door) -> None:
    first = result_message("M1", specimen="S1", patient="P1")[:200]
    with Sender(door.port) as sender:
        sender.write(START + first + START + result_message("M2", specimen="S2") + END)
        assert accepted(sender.answer(), "M2")
    assert door.kept() == [first]
    assert door.store.read(lambda reader: reader.case_by_specimen("S1")) is None


def test_a_block_without_end_is_cut_off(door: Door) -> None:
    with Sender(door.port) as sender:
        sender.write(START + b"x" * (2 * LIMIT))
        with pytest.raises(ConnectionError):
            sender.answer()
    assert [len(kept) for kept in door.kept()] == [LIMIT]


def test_endless_noise_does_not_fill_the_database(door: Door) -> None:
    with Sender(door.port) as sender:
        for n in range(100):
            sender.write(START + b"broken" + START + result_message(f"M{n}", specimen="S") + END)
            assert accepted(sender.answer(), f"M{n}")
    assert 0 < len(door.problems()) < 50


def test_more_connections_than_allowed_are_closed_and_the_others_go_on(door: Door) -> None:
    with Sender(door.port) as one, Sender(door.port) as two:
        assert accepted(one.send(result_message("M1")), "M1")
        assert accepted(two.send(result_message("M2", specimen="S2")), "M2")
        with Sender(door.port) as three, pytest.raises(ConnectionError):
            three.send(result_message("M3", specimen="S3"))
        assert accepted(one.send(result_message("M4", specimen="S4")), "M4")


@contextmanager
def failing(door: Door, name: str, failure: Exception) -> Iterator[None]:
    """Let something of ours fail, as a defect would: after everything else has been written."""
    real: Callable[..., Any] = getattr(door.line.judge.outbound, name)

    def fails(*args: Any, **options: Any) -> Any:
        real(*args, **options)
        raise failure

    setattr(door.line.judge.outbound, name, fails)
    try:
        yield
    finally:
        setattr(door.line.judge.outbound, name, real)


def test_a_failure_inside_keeps_the_message_and_the_connection(
    door: Door, caplog: pytest.LogCaptureFixture
) -> None:
    message = result_message("M1", patient="SECRET")
    with Sender(door.port) as sender:
        with failing(door, "send", ValueError("SECRET")):
            answer = sender.send(message)
        assert b"MSA|AE|M1" in answer
        assert b"|207^" in answer  # HL7 table 0357: application internal error
        assert door.kept() == [message]
        assert door.store.read(lambda reader: reader.outbox("lis")) == []
        assert accepted(sender.send(message), "M1"), "a resend is processed, not answered again"
    assert len(door.store.read(lambda reader: reader.outbox("lis"))) == 1
    assert "ValueError" in caplog.text
    assert "SECRET" not in caplog.text, "no patient data in the log"


def test_without_a_commit_there_is_no_answer(door: Door, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(work: object) -> "Future[Answer]":
        future: Future[Answer] = Future()
        future.set_exception(StoreError("the disk is full"))
        return future

    with Sender(door.port) as sender, monkeypatch.context() as patch:
        patch.setattr(door.store, "submit", refuse)
        with pytest.raises(ConnectionError):
            sender.send(result_message("M1"))
    with Sender(door.port) as sender:
        assert accepted(sender.send(result_message("M1")), "M1")


def test_the_answer_waits_for_the_commit(door: Door) -> None:
    """Hold the writer inside the transaction, after the line is through: nothing may be sent."""
    taken, go_on = threading.Event(), threading.Event()
    real = door.line.take

    def held(tx: Transaction, connection: str, raw: bytes, now: datetime) -> Answer:
        answer = real(tx, connection, raw, now)
        taken.set()
        go_on.wait(20)
        return answer

    door.line.take = held  # type: ignore[method-assign]
    with Sender(door.port) as sender:
        sender.write(START + result_message("M1") + END)
        assert taken.wait(20)
        assert sender.nothing_comes(0.3)
        assert door.store.read(lambda reader: reader.receipts("ANALYZER", "LAB", "M1")) == []
        go_on.set()
        assert accepted(sender.answer(), "M1")
        assert door.store.read(lambda reader: reader.receipts("ANALYZER", "LAB", "M1"))
