"""A shadow run beside the real service, over real sockets: it tells, and touches nothing."""

import json
import re
import sqlite3
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, cast

import msgspec
import pytest

from service.laboratory import RULES, Laboratory, Lis, Sender, eventually, result_message, running
from verifier.facts.case import Case
from verifier.service import shadowacts
from verifier.service.candidates import Candidate
from verifier.store import Store
from verifier.store.rulerows import RuleTexts
from verifier.store.shadows import Shadow
from verifier.store.transaction import Reader

LENIENT = RULES.replace("below 2.8, above 6.2", "below 2.8, above 7.1")
VALUES = ["4.4", "6.9", "8.0", "2.1", "5.0", "6.5"]


def read(laboratory: Laboratory, work: Callable[[Reader], Any]) -> Any:
    url = f"sqlite:///{laboratory.folder}/verifier.db"
    with Store.open(url, checkpoints=laboratory.folder / "checkpoints", writable=False) as store:
        return store.read(work)


def newest(laboratory: Laboratory) -> Shadow:
    return read(laboratory, lambda reader: reader.shadows()[-1])


def has_judged(laboratory: Laboratory, count: int) -> Shadow:
    eventually(lambda: newest(laboratory).judged >= count, 120)
    return newest(laboratory)


def traffic(laboratory: Laboratory, offset: int = 0) -> list[bytes]:
    """Messages of every fate: left, held, corrected, sent again, not readable. Their answers."""
    answers = []
    with Sender(laboratory.chem) as sender:
        for number, value in enumerate(VALUES, offset):
            results = {"potassium": value, "sodium": "140"}
            raw = result_message(
                f"M{number}", specimen=f"S{number}", patient=f"P{number}", results=results
            )
            answers += [sender.send(raw), sender.send(raw)]
        corrected = result_message(
            f"C{offset}", specimen=f"S{offset}", patient=f"P{offset}", status="C",
            results={"potassium": "4.6"},
        )  # fmt: skip
        answers += [sender.send(corrected), sender.send(b"MSH|^~\\&|BROKEN\r")]
    return answers


def plain(message: bytes) -> bytes:
    """A message without what differs from one run of the service to the next: time and our id."""
    fields = message.split(b"\r")[0].split(b"|")
    for place in (6, 9):
        fields[place] = b"*"
    message = b"|".join(fields) + b"\r" + message.partition(b"\r")[2]
    return re.sub(rb"\b20(?!260105)\d{12}\+0000", b"*", message)  # OBR-22: when it was released


def decisions(laboratory: Laboratory) -> list[bytes]:
    """Every decision as stored, without the instants of this run of the service."""
    with sqlite3.connect(laboratory.folder / "verifier.db") as database:
        bodies = database.execute("SELECT body FROM decision ORDER BY id").fetchall()
    database.close()
    instant = re.compile(rb'"20(?!26-01-05T)[0-9T:.Z-]{8,}"')
    return [instant.sub(b"*", zlib.decompress(body)) for (body,) in bodies]


def a_run(folder: Path, *, shadowed: bool) -> tuple[list[bytes], list[bytes], list[bytes]]:
    """Answers, messages to the LIS and decisions of one run of the service."""
    folder.mkdir()
    with Lis() as lis, running(folder, lis.port) as laboratory:
        if shadowed:
            start(laboratory, LENIENT)
        answers = traffic(laboratory)
        eventually(lambda: len(lis.received) >= 6)
        if shadowed:
            assert has_judged(laboratory, 7).differing == 3
        laboratory.stop()
        sent = sorted(plain(message) for message in lis.received)
        return [plain(answer) for answer in answers], sent, decisions(laboratory)


def start(laboratory: Laboratory, text: str) -> None:
    folder = laboratory.folder / "candidate"
    folder.mkdir()
    (folder / "test.rules").write_text(text)
    done = laboratory.command("shadow", "start", str(folder))
    assert (done.returncode, "shadow run 1 started" in done.stdout) == (0, True), done.stderr


def test_answers_messages_and_decisions_are_the_same_with_and_without(tmp_path: Path) -> None:
    without = a_run(tmp_path / "without", shadowed=False)
    beside = a_run(tmp_path / "beside", shadowed=True)
    assert beside == without
    answers, sent, decided = without
    assert len(answers) == 14
    assert len(sent) == 6
    assert len(decided) == 7


def test_the_run_is_told_survives_a_kill_and_ends(tmp_path: Path) -> None:
    with Lis() as lis, running(tmp_path, lis.port) as laboratory:
        traffic(laboratory)
        start(laboratory, LENIENT)
        again = laboratory.command("shadow", "start", str(tmp_path / "candidate"))
        assert again.returncode == 2
        assert "is running; stop it first" in again.stderr
        traffic(laboratory, 100)
        assert has_judged(laboratory, 7).differing == 3, "what came before it is not its own"
        laboratory.kill()
        laboratory.start()
        traffic(laboratory, 200)
        shadow = has_judged(laboratory, 14)
        assert (shadow.judged, shadow.differing, shadow.failed) == (14, 6, 0)
        told = laboratory.command("shadow", "report", "--json")
        assert told.returncode == 1
        found = json.loads(told.stdout)
        changes = {(c["specimen"], c["kind"], c["fate"], c["value"]) for c in found["changes"]}
        assert changes == {
            (f"S{offset + place}", kind, "open", value)
            for offset in (100, 200)
            for place, kind, value in (
                (1, "newly released", "6.9"),
                (2, "other words", "8.0"),  # the limit it is held for reads otherwise
                (5, "newly released", "6.5"),
            )
        }
        assert found["counts"]["specimens"] == 12
        assert found["counts"]["tests"]["sodium"]["changes"] == {}
        stopped = laboratory.command("shadow", "stop")
        assert "shadow run 1 stopped" in stopped.stdout
        assert laboratory.command("shadow", "stop").returncode == 2
        traffic(laboratory, 300)
        assert laboratory.command("shadow", "report", "1").returncode == 1
        assert newest(laboratory).judged == 14
        who = [entry.what for entry in read(laboratory, lambda r: r.audit_of("shadow:1"))]
        assert sorted(who) == ["started a shadow run", "stopped a shadow run"]


def test_a_candidate_that_can_not_judge_is_on_record_and_the_line_goes_on(tmp_path: Path) -> None:
    """Facts that can not be read, then a rule set that does not compile."""
    with Lis() as lis, running(tmp_path, lis.port) as laboratory:
        traffic(laboratory)
        url, checkpoints = f"sqlite:///{tmp_path}/verifier.db", tmp_path / "checkpoints"
        with Store.open(url, checkpoints=checkpoints) as store:
            texts = RuleTexts({"test.rules": LENIENT}, {})
            candidate = Candidate("damaged", texts)
            store.write(lambda tx: shadowacts.start(tx, "ada", candidate, "x"))
            case = store.read(lambda r: r.case_by_specimen("S0"))
            assert case
            assert case.decision
            made, damaged = case.decision, cast(Case, "not the facts of a case")
            store.write(lambda tx: tx.add_decision(case.id, None, made, damaged))
        shadow = has_judged(laboratory, 1)
        assert (shadow.failed, shadow.differing) == (1, 0)
        assert not shadow.trouble
        assert b"MSA|AA" in traffic(laboratory, 100)[0]
        assert has_judged(laboratory, 8).differing == 3
        laboratory.command("shadow", "stop")
        with Store.open(url, checkpoints=checkpoints) as store:
            broken = Candidate("broken", RuleTexts({"test.rules": "rule without end"}, {}))
            store.write(lambda tx: shadowacts.start(tx, "ada", broken, "x"))
        assert b"MSA|AA" in traffic(laboratory, 200)[0]
        eventually(lambda: newest(laboratory).trouble, 120)
        assert "broken: the rule set has" in newest(laboratory).trouble
        assert laboratory.process
        assert laboratory.process.poll() is None
        eventually(lambda: len(lis.received) >= 18)
        report = laboratory.command("shadow", "report")
        assert "does not get on" in report.stdout


@pytest.mark.parametrize("words", [("report",), ("stop",), ("start", "nowhere")])
def test_wrong_use_says_so(tmp_path: Path, words: tuple[str, ...]) -> None:
    laboratory = Laboratory(tmp_path, 1)
    url = f"sqlite:///{tmp_path}/verifier.db"
    Store.open(url, checkpoints=tmp_path / "checkpoints").close()
    done = laboratory.command("shadow", *words)
    assert done.returncode == 2
    assert done.stderr.startswith("verifier: ")
    assert msgspec.json.encode(done.stdout) == b'""'
