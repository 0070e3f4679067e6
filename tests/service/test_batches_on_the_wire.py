"""Batches over a real socket: each message judged for itself, answered in one batch.

HL7 v2.5.1 section 2.10.3; the counts are those of BTS-1.
"""

from pathlib import Path

import pytest
from databases import database_url

from service.door import Door, opened
from service.laboratory import Sender, result_message
from verifier.store.store import Store

BHS = b"BHS|^~\\&|LINK|SITE|V|LAB|20261125||||B7\r"


def batch(*messages: bytes, said: str | None = None) -> bytes:
    count = str(len(messages)) if said is None else said
    return BHS + b"".join(messages) + f"BTS|{count}\r".encode()


def codes(answer: bytes) -> list[bytes]:
    lines = answer.split(b"\r")
    assert lines[0].startswith(b"BHS|")
    assert lines[0].endswith(b"|B7")
    found = [line[4:] for line in lines if line.startswith(b"MSA|")]
    assert lines[-2] == f"BTS|{len(found)}".encode()
    return found


def states(door: Door, specimen: str) -> list[str]:
    case = door.store.read(lambda reader: reader.case_by_specimen(specimen))
    return [entry.state for entry in case.record.entries] if case else []


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store.open(database_url(tmp_path), checkpoints=tmp_path / "checkpoints")


def test_batches(tmp_path: Path, store: Store) -> None:
    with store, opened(tmp_path, store) as door, Sender(door.port) as sender:
        whole = batch(
            result_message("M1", specimen="S1"),
            b"MSH|^~\\&|A|L|V|L|2026||MDM^T02|M2|P|2.5.1\r",
            result_message("M3", specimen="S3", results={"potassium": "6.9"}),
        )
        assert codes(sender.send(whole)) == [b"AA|M1", b"AR|M2", b"AA|M3"]
        assert (states(door, "S1"), states(door, "S3")) == (["released"], ["open"])
        sent = len(door.store.read(lambda reader: reader.outbox("lis")))

        # The batch once more: the same answers, nothing twice.
        assert codes(sender.send(whole)) == [b"AA|M1", b"AR|M2", b"AA|M3"]
        assert len(door.store.read(lambda reader: reader.outbox("lis"))) == sent

        # One message fewer than said: all of it is held, and a person is told.
        short = batch(
            result_message("M4", specimen="S4"), result_message("M5", specimen="S5"), said="3"
        )
        assert codes(sender.send(short)) == [b"AA|M4", b"AA|M5"]
        assert (states(door, "S4"), states(door, "S5")) == (["open"], ["open"])
        case = door.store.read(lambda reader: reader.case_by_specimen("S4"))
        assert case
        assert case.record.doubts == ("the batch is said to hold 3 messages, but 2 came",)
        notes = [problem.note for problem in door.problems()]
        assert case.record.doubts[0] in notes
        assert door.kept()[-1] == BHS + b"BTS|3\r"

        # The next message by itself is none of the batch.
        assert b"MSA|AA|M6" in sender.send(result_message("M6", specimen="S6"))
        assert states(door, "S6") == ["released"]
        assert codes(sender.send(batch())) == []
