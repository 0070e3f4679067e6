"""An orderly stop finishes what is on its way, whatever the LIS does."""

import threading
import time
from pathlib import Path

import pytest
from databases import database_url

from service.laboratory import Lis, Sender, ack_for, eventually, result_message, running
from verifier.store.rows import OutgoingStatus
from verifier.store.store import Store
from verifier.store.transaction import Reader


def statuses(folder: Path) -> list[OutgoingStatus]:
    """What became of everything sent for specimen S1."""

    def of_specimen(reader: Reader) -> list[OutgoingStatus]:
        case = reader.case_by_specimen("S1")
        assert case
        return [row.status for row in reader.outgoing_of_case(case.id)]

    url = database_url(folder)
    with Store.open(url, checkpoints=folder / "checkpoints", writable=False) as store:
        return store.read(of_specimen)


def test_an_answer_on_its_way_is_waited_for(tmp_path: Path) -> None:
    arrived = threading.Event()

    def slow(n: int, message: bytes) -> bytes:
        arrived.set()
        time.sleep(1.5)
        return ack_for(message)

    with Lis(slow) as lis, running(tmp_path, lis.port, answer_seconds=20) as laboratory:
        with Sender(laboratory.chem) as sender:
            sender.send(result_message("M1"))
        assert arrived.wait(10)
        laboratory.stop()
        assert statuses(tmp_path) == ["sent"]
        laboratory.start()
        with Sender(laboratory.chem) as sender:
            sender.send(result_message("M2", specimen="S2"))
        eventually(lambda: len(lis.received) == 2)
        assert b"S2" in lis.received[1], "the first was not sent again"


@pytest.mark.parametrize("answered", ["refused connection", "silence"])
def test_a_lis_that_does_not_answer_does_not_keep_it_from_stopping(
    tmp_path: Path, answered: str
) -> None:
    with Lis() as gone:
        port = gone.port
    with Lis(lambda n, message: None) as silent:
        port = port if answered == "refused connection" else silent.port
        with running(tmp_path, port, answer_seconds=60) as laboratory:
            with Sender(laboratory.chem) as sender:
                sender.send(result_message("M1"))
            if answered == "silence":
                eventually(lambda: silent.received)
            laboratory.stop()
    assert statuses(tmp_path) == ["waiting"]


def test_a_message_half_received_at_the_stop_is_kept_and_not_parsed(tmp_path: Path) -> None:
    with Lis() as lis, running(tmp_path, lis.port) as laboratory:
        with Sender(laboratory.chem) as sender:
            sender.send(result_message("M1"))
            sender.write(b"\x0b" + result_message("M2", specimen="S2"))  # no end of block yet
            laboratory.stop()
        url = database_url(tmp_path)
        with Store.open(url, checkpoints=tmp_path / "checkpoints", writable=False) as store:
            assert store.read(lambda reader: reader.case_by_specimen("S2")) is None
            assert [p.outcome for p in store.read(lambda r: r.problems())] in ([], ["unreadable"])
        laboratory.start()
        with Sender(laboratory.chem) as sender:
            assert b"MSA|AA|M2" in sender.send(result_message("M2", specimen="S2"))
