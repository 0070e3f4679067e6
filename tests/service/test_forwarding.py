"""The way to the LIS: order, retries, refusals, late and wrong answers, on real sockets."""

import time
from pathlib import Path

from databases import database_url

from service.laboratory import (
    Lis,
    Sender,
    ack_for,
    control_id_of,
    eventually,
    result_message,
    running,
)


def specimens_of(messages: list[bytes]) -> list[str]:
    return [message.split(b"\rOBR|1|")[1].split(b"|")[0].decode() for message in messages]


def test_order_is_kept_and_each_goes_once(tmp_path: Path) -> None:
    with Lis() as lis, running(tmp_path, lis.port) as laboratory:
        names = [f"S{n}" for n in range(20)]
        with Sender(laboratory.chem) as sender:
            for name in names:
                sender.send(result_message(f"M-{name}", specimen=name))
        eventually(lambda: len(lis.received) >= 20)
        assert specimens_of(lis.received) == names


def test_a_refused_message_stops_nothing_and_is_shown(tmp_path: Path) -> None:
    def refuse_the_second(n: int, message: bytes) -> bytes:
        return ack_for(message, "AR" if n == 2 else "AA")

    with Lis(refuse_the_second) as lis, running(tmp_path, lis.port) as laboratory:
        with Sender(laboratory.chem) as sender:
            for n in (1, 2, 3):
                sender.send(result_message(f"M{n}", specimen=f"S{n}"))
        eventually(lambda: len(lis.received) == 3)
        rejected = eventually(lambda: rejected_in(tmp_path))
        assert [control_id_of(lis.received[1])] == rejected
        assert specimens_of(lis.received) == ["S1", "S2", "S3"]


def test_without_an_answer_the_same_control_id_goes_again(tmp_path: Path) -> None:
    def silent_at_first(n: int, message: bytes) -> bytes | None:
        return None if n == 1 else ack_for(message)

    with Lis(silent_at_first) as lis, running(tmp_path, lis.port, answer_seconds=0.5) as laboratory:
        with Sender(laboratory.chem) as sender:
            sender.send(result_message("M1", specimen="S1"))
            sender.send(result_message("M2", specimen="S2"))
        eventually(lambda: len(lis.received) >= 3)
        ids = [control_id_of(message) for message in lis.received]
        assert ids[0] == ids[1] != ids[2]
        assert specimens_of(lis.received) == ["S1", "S1", "S2"]


def test_an_answer_to_something_else_confirms_nothing(tmp_path: Path) -> None:
    def wrong_at_first(n: int, message: bytes) -> bytes:
        return ack_for(message, control_id="OTHER" if n == 1 else None)

    with Lis(wrong_at_first) as lis, running(tmp_path, lis.port) as laboratory:
        with Sender(laboratory.chem) as sender:
            sender.send(result_message("M1"))
        eventually(lambda: len(lis.received) >= 2)
        assert len({control_id_of(message) for message in lis.received}) == 1


def test_a_late_answer_confirms_only_its_own_message(tmp_path: Path) -> None:
    def late_at_first(n: int, message: bytes) -> bytes:
        if n == 1:
            time.sleep(1.0)  # longer than the service waits
        return ack_for(message)

    with Lis(late_at_first) as lis, running(tmp_path, lis.port, answer_seconds=0.4) as laboratory:
        with Sender(laboratory.chem) as sender:
            sender.send(result_message("M1", specimen="S1"))
            sender.send(result_message("M2", specimen="S2"))
        eventually(lambda: "S2" in specimens_of(lis.received))
        seen = specimens_of(lis.received)
        assert seen[:2] == ["S1", "S1"], "the second message waited until the first was confirmed"


def test_held_results_go_as_not_verified_where_the_lis_takes_them(tmp_path: Path) -> None:
    with Lis() as lis, running(tmp_path, lis.port, held="send unverified") as laboratory:
        with Sender(laboratory.chem) as sender:
            values = {"sodium": "140", "potassium": "6.9"}
            sender.send(result_message("M1", results=values))
        eventually(lambda: lis.received)
        lines = lis.received[0].split(b"\r")
        statuses = {
            line.split(b"|")[3][:6]: line.split(b"|")[11] for line in lines if line[:3] == b"OBX"
        }
        assert statuses == {b"2951-2": b"F", b"2823-3": b"R"}


def rejected_in(folder: Path) -> list[str]:
    from verifier.store.store import Store

    url = database_url(folder)
    with Store.open(url, checkpoints=folder / "checkpoints", writable=False) as store:
        return [row.control_id for row in store.read(lambda r: r.rejected_outgoing())]
