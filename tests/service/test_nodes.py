"""Several nodes on one PostgreSQL: killed, paused and cut off while traffic runs, nothing is lost,
nothing is decided twice, and each specimen reaches the LIS in its order."""

import itertools
from collections import defaultdict
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from databases import Server, database_url, of_postgres

from service.laboratory import Lis, Sender, control_id_of, eventually
from service.nodes import TESTS, Node, Traffic, acknowledged, holder, message, nodes
from verifier.errors import StoreError
from verifier.store import Store

pytestmark = of_postgres
CODES = {code: test for test, code in TESTS.items()}


def arrived(lis: Lis) -> dict[str, list[tuple[str, str]]]:
    """Test and control id of what the LIS got, per specimen in the order of arrival, each
    control id once."""
    seen: set[str] = set()
    found: dict[str, list[tuple[str, str]]] = defaultdict(list)
    for raw in list(lis.received):
        control_id = control_id_of(raw)
        if control_id in seen:
            continue
        seen.add(control_id)
        text = raw.decode()
        specimen = text.split("SPM|1|")[1].split("|")[0]
        for line in text.split("\r"):
            if line.startswith("OBX|"):
                found[specimen].append((CODES[line.split("|")[3].split("^")[0]], control_id))
    return found


def check(folder: Path, lis: Lis, traffic: dict[str, list[str]], made: dict[str, Node]) -> None:
    """What was acknowledged is stored once, decided once and delivered once in order."""

    def delivered() -> bool:
        got = arrived(lis)
        return all(len(got[specimen]) >= len(tests) for specimen, tests in traffic.items())

    eventually(delivered, 60)
    got = arrived(lis)
    for specimen, tests in traffic.items():
        assert [test for test, _ in got[specimen]][: len(tests)] == tests, specimen
        assert len({test for test, _ in got[specimen]}) == len(got[specimen]), specimen
    with Store.open(database_url(folder), checkpoints=folder / "c", writable=False) as store:
        for specimen, tests in traffic.items():
            case = store.read(lambda r, s=specimen: r.case_by_specimen(s))
            assert case is not None
            decisions = store.read(lambda r, c=case.id: r.decisions(c))
            assert len({one.message_id for one in decisions}) == len(decisions)
            assert len(case.record.entries) == len(decisions)
            assert {entry.state for entry in case.record.entries} == {"released"}
            for test in tests:
                sent = (f"{specimen}-{test}",)
                receipts = store.read(lambda r, s=sent: r.receipts("ANALYZER", "LAB", *s))
                assert [one.outcome for one in receipts] == ["accepted"], sent
    for node in made.values():
        node.laboratory.stop()
    done = made["a"].laboratory.command("audit", "verify")
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count("log ") == len(made)


def test_killed_paused_and_cut_off_under_traffic(tmp_path: Path) -> None:
    with Lis() as lis, nodes(tmp_path, lis.port, ["a", "b", "c"]) as made:
        url = database_url(tmp_path)
        with Traffic([node.port for node in made.values()]) as traffic:
            traffic.more()
            first = made[eventually(lambda: holder(url))]
            first.laboratory.kill()
            eventually(lambda: holder(url) not in ("", first.laboratory.node), 30)
            traffic.more()
            first.laboratory.start()
            second = made[eventually(lambda: holder(url))]
            second.pause()
            eventually(lambda: holder(url) not in ("", second.laboratory.node), 30)
            traffic.more()
            second.go_on()
            third = made[eventually(lambda: holder(url))]
            third.cable.cut()
            eventually(lambda: holder(url) not in ("", third.laboratory.node), 30)
            traffic.more()
            third.cable.mend()
            traffic.more()
        check(tmp_path, lis, traffic.acknowledged, made)


def test_one_message_to_two_nodes_at_once(tmp_path: Path) -> None:
    """A control id is answered alike and counts once; results of one specimen all come together."""
    with Lis() as lis, nodes(tmp_path, lis.port, ["a", "b"]) as made:
        ports = [node.port for node in made.values()]
        for round_number in range(5):
            specimen = f"D{round_number}"
            same = message(f"{specimen}-sodium", specimen, "sodium")
            at_once = [(port, same) for port in ports]
            at_once += [
                (ports[n % 2], message(f"{specimen}-{test}", specimen, test))
                for n, test in enumerate(TESTS)
                if test != "sodium"
            ]
            with ThreadPoolExecutor(len(at_once)) as pool:
                sent = [pool.submit(acknowledged, itertools.repeat(p), m) for p, m in at_once]
                answers = [one.result() for one in sent]
            of_same = [answer for answer in answers if b"-sodium" in answer]
            assert len(of_same) == 2
            assert of_same[0] == of_same[1]
            eventually(lambda s=specimen: len(arrived(lis)[s]) == len(TESTS))
        traffic = {s: [test for test, _ in tests] for s, tests in arrived(lis).items()}
        assert len(traffic) == 5
        check(tmp_path, lis, traffic, made)


def test_suspended_on_one_node_holds_on_the_other(tmp_path: Path) -> None:
    with Lis() as lis, nodes(tmp_path, lis.port, ["a", "b"]) as made:
        with Sender(made["b"].port) as sender:
            assert b"MSA|AA" in sender.send(message("before", "S1", "sodium"))
            done = made["a"].laboratory.command("suspend", "--reason", "a leak")
            assert done.returncode == 0, done.stderr
            assert b"MSA|AA" in sender.send(message("after", "S2", "sodium"))
        url = database_url(tmp_path)
        with Store.open(url, checkpoints=tmp_path / "c", writable=False) as store:
            states = {
                key: store.read(lambda r, k=key: r.case_by_specimen(k)).record.entries[0].state
                for key in ("S1", "S2")
            }
            assert states == {"S1": "released", "S2": "open"}
        with pytest.raises(StoreError, match="another process already works as node 'b'"):
            Store.open(url, checkpoints=tmp_path / "c", node="b", alone=True)


def test_a_database_that_goes_away_and_comes_back(tmp_path: Path, monkeypatch) -> None:  # type: ignore[no-untyped-def]
    server = Server.start()
    monkeypatch.setattr("databases.server_url", lambda: server.url)
    monkeypatch.setattr("databases.template", lambda: "template0")
    folder = tmp_path / "away"
    folder.mkdir()
    with Lis() as lis, nodes(folder, lis.port, ["a", "b"]) as made:
        with Traffic([node.port for node in made.values()], senders=2) as traffic:
            traffic.more()
            server.stop()
            with Sender(made["a"].port) as sender, pytest.raises(ConnectionError):
                sender.send(message("nobody", "nobody", "sodium"))
            server.run()
            traffic.more()
        check(folder, lis, traffic.acknowledged, made)
    server.remove()
