"""SIGKILL at random instants under load, again and again; then the books must balance."""

import random
import threading
from collections import Counter
from pathlib import Path

from databases import ON_POSTGRES, database_url

from service.laboratory import (
    Laboratory,
    Lis,
    Sender,
    control_id_of,
    eventually,
    result_message,
)
from verifier.store.store import Store
from verifier.store.transaction import Reader

KILLS = 10 if ON_POSTGRES else 50  # several nodes are killed in test_nodes
SEED = 20260105


class Analyzer(threading.Thread):
    """Sends one message after the other; sends it again until it is acknowledged."""

    def __init__(self, name: str, port: int) -> None:
        super().__init__(name=name, daemon=True)
        self.port = port
        self.acknowledged: list[str] = []
        self.resent = 0
        self.done = threading.Event()

    def run(self) -> None:
        number = 0
        while not self.done.is_set():
            number += 1
            self._until_acknowledged(f"{self.name}{number}")

    def _until_acknowledged(self, control_id: str) -> None:
        message = result_message(control_id, specimen=f"SP-{control_id}", patient=control_id)
        while not self.done.is_set():
            try:
                with Sender(self.port) as sender:
                    if f"MSA|AA|{control_id}".encode() in sender.send(message):
                        self.acknowledged.append(control_id)
                        return
            except OSError:
                self.resent += 1
                self.done.wait(0.02)


def load_and_kill(laboratory: Laboratory, analyzers: list[Analyzer]) -> None:
    rng = random.Random(SEED)
    for _ in range(KILLS):
        before = sum(len(analyzer.acknowledged) for analyzer in analyzers)
        laboratory.start()
        eventually(lambda b=before: sum(len(a.acknowledged) for a in analyzers) > b)
        analyzers[0].done.wait(rng.uniform(0, 0.4))
        laboratory.kill()


def test_kills_under_load_lose_nothing_and_double_nothing(tmp_path: Path) -> None:
    with Lis() as lis:
        laboratory = Laboratory(tmp_path, lis.port)
        analyzers = [Analyzer("A", laboratory.chem), Analyzer("B", laboratory.second)]
        for analyzer in analyzers:
            analyzer.start()
        load_and_kill(laboratory, analyzers)
        laboratory.start()
        for analyzer in analyzers:
            analyzer.done.set()
            analyzer.join()
        acknowledged = [name for analyzer in analyzers for name in analyzer.acknowledged]
        url = database_url(tmp_path)
        with Store.open(url, checkpoints=tmp_path / "checkpoints", writable=False) as store:
            eventually(lambda: not store.read(lambda r: r.outbox("lis")), 60)
            books = store.read(lambda r: [balance(r, name) for name in acknowledged])
        laboratory.stop()
        assert laboratory.command("audit", "verify").returncode == 0
    assert len(acknowledged) > KILLS
    assert sum(analyzer.resent for analyzer in analyzers) > 0, "no kill met a message on its way"
    assert books == [(1, 1, 1)] * len(acknowledged)
    arrived = Counter(control_id_of(message) for message in lis.received)
    contents: dict[str, set[bytes]] = {}
    for message in lis.received:
        contents.setdefault(control_id_of(message), set()).add(message)
    assert all(len(same) == 1 for same in contents.values()), "one control id, two contents"
    delivered = Counter(
        message.split(b"\rOBR|1|SP-")[1].split(b"|")[0].decode()
        for message in {control_id_of(m): m for m in lis.received}.values()
    )
    assert set(acknowledged) <= set(delivered), "acknowledged and never delivered"
    assert set(delivered.values()) == {1}, "one result under two control ids"
    assert sum(arrived.values()) >= len(arrived)


def balance(reader: Reader, control_id: str) -> tuple[int, int, int]:
    """How often a message was stored, decided on, and put into the outbox."""
    stored = reader.receipts("ANALYZER", "LAB", control_id)
    case = reader.case_by_specimen(f"SP-{control_id}")
    assert case, control_id
    return (
        len(stored),
        len(reader.decisions(case.id)),
        len(reader.outgoing_of_case(case.id)),
    )
