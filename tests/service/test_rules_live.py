"""Versions of the rules in a running service: two processes, real connections, traffic."""

import json
import re
import subprocess
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from verifier.service import ruleshelf
from verifier.settings import load
from verifier.store import Store, StoredDecision

from .laboratory import RULES, Laboratory, Lis, Sender, eventually, result_message, running

PASSWORD = "three words are long"
LOWER = RULES.replace("above 6.2", "above 6.0")
_DAMAGE = "UPDATE rule_version SET files = ? WHERE id ="
BETWEEN = {"potassium": "6.1"}  # critical in LOWER only


@dataclass
class Site:
    """A running laboratory with people who know their password."""

    lab: Laboratory
    secret: Path = field(init=False)

    def __post_init__(self) -> None:
        self.secret = self.lab.folder / "password"
        self.secret.write_text(PASSWORD + "\n")
        for name, role in (
            ("ada", "administrator"),
            ("ben", "administrator"),
            ("pat", "pathologist"),
        ):
            self.run("user", "add", name, "--role", role, "--password-file", str(self.secret))

    def command(self, *words: str) -> "subprocess.CompletedProcess[str]":
        return self.lab.command(*words)

    def run(self, *words: str) -> str:
        done = self.command(*words)
        assert done.returncode == 0, done.stderr + done.stdout
        return done.stdout

    def signed(self, who: str, *words: str) -> "subprocess.CompletedProcess[str]":
        return self.command(*words, "--as", who, "--password-file", str(self.secret))

    def draft(self, text: str, name: str = "draft") -> int:
        folder = self.lab.folder / name
        folder.mkdir()
        (folder / "test.rules").write_text(text)
        said = self.run("rules", "import", str(folder), "--note", "potassium 6.0")
        found = re.search(r"version (\d+) is checked", said)
        assert found, said
        return int(found[1])

    def approved(self, text: str, name: str = "draft") -> int:
        number = self.draft(text, name)
        assert self.command("replay", "--candidate", str(number)).returncode in (0, 1)
        for who in ("ben", "pat"):
            assert self.signed(who, "approve", str(number)).returncode == 0
        return number

    def store(self) -> Store:
        settings = load(self.lab.config)
        return Store.open(settings.database, checkpoints=settings.checkpoints)

    def decisions(self) -> list[tuple[str, StoredDecision]]:
        """Every decision with its specimen, in the order they were made."""
        with self.store() as store:
            cases = store.read(
                lambda r: [
                    c for n in range(1, 4) for c in r.cases_of_patient(f"LAB^MR^P{n}", 10_000)
                ]
            )
            made = [
                (case.record.specimen.key, each)
                for case in cases
                for each in store.read(lambda r, c=case.id: r.decisions(c))  # type: ignore[misc]
            ]
        return sorted(made, key=lambda pair: pair[1].id)


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with Lis() as lis, running(tmp_path, lis.port) as lab:
        yield Site(lab)


@contextmanager
def traffic(port: int, patient: str) -> Iterator[list[bytes]]:
    """Messages one after the other on one connection until the block ends; their answers."""
    answers: list[bytes] = []
    stop = threading.Event()

    def send() -> None:
        with Sender(port) as sender:
            while not stop.is_set():
                name = f"{patient}-{len(answers)}"
                answers.append(
                    sender.send(
                        result_message(name, specimen=name, patient=patient, results=BETWEEN)
                    )
                )

    thread = threading.Thread(target=send)
    thread.start()
    try:
        yield answers
    finally:
        stop.set()
        thread.join(30)
        assert not thread.is_alive()


def outcomes(made: list[tuple[str, StoredDecision]]) -> list[tuple[int | None, str]]:
    return [(each.version, each.decision.results[0].outcome) for _, each in made]


def test_another_process_changes_the_rules_under_traffic(site: Site) -> None:
    with site.store() as store:
        first = store.read(lambda r: r.rule_version(1))
    assert first
    second = site.approved(LOWER)
    with traffic(site.lab.chem, "P1") as one, traffic(site.lab.second, "P2") as two:
        eventually(lambda: len(one) > 3 and len(two) > 3)
        assert site.signed("ada", "activate", str(second)).returncode == 0
        now = len(one), len(two)
        eventually(lambda: len(one) > now[0] + 20 and len(two) > now[1] + 20)
        eventually(lambda: outcomes(site.decisions())[-1] == (second, "hold"))
        back = site.signed("pat", "rollback", "--because", "held too much")
        assert back.returncode == 0, back.stderr
        eventually(lambda: outcomes(site.decisions())[-1] == (1, "release"))
    sent = [*one, *two]
    assert all(b"\rMSA|AA|" in answer for answer in sent)
    made = site.decisions()
    assert len({specimen for specimen, _ in made}) == len(sent), "every message was decided"
    assert len(made) == len(sent), "and none twice"
    # Each decision carries the version whose limit it was held by, and the versions take turns.
    told = outcomes(made)
    assert set(told) == {(1, "release"), (second, "hold")}
    turns = [number for at, (number, _) in enumerate(told) if at == 0 or told[at - 1][0] != number]
    assert turns == [1, second, 1]
    identities = {each.version: each.decision.rule_set for _, each in made}
    assert identities[1] == first.identity != identities[second]
    with site.store() as store:
        said = [e for n in (1, 2) for e in store.read(lambda r, n=n: r.audit_of(f"rules:{n}"))]  # type: ignore[misc]
        assert store.verify_audit().findings == ()
    assert [e.what for e in said].count("rules took effect") == 2


def test_an_activation_acts_at_its_time_and_survives_a_kill(site: Site) -> None:
    second = site.approved(LOWER)
    later = (datetime.now(UTC) + timedelta(seconds=6)).isoformat()
    done = site.signed("ada", "activate", str(second), "--at", later)
    assert done.returncode == 0, done.stderr
    with Sender(site.lab.chem) as sender:
        sender.send(result_message("early", specimen="E1", results=BETWEEN))
    site.lab.kill()
    site.lab.start()  # before or after its time: both must come out right
    with Sender(site.lab.chem) as sender:
        count = 0

        def held() -> bool:
            nonlocal count
            count += 1
            name = f"L{count}"
            assert b"\rMSA|AA|" in sender.send(result_message(name, specimen=name, results=BETWEEN))
            return outcomes(site.decisions())[-1] == (second, "hold")

        eventually(held)
    told = outcomes(site.decisions())
    assert told[0] == (1, "release")
    assert set(told) == {(1, "release"), (second, "hold")}
    effective = datetime.fromisoformat(later)
    for _, each in site.decisions():
        assert each.version == 1 or each.decision.decided >= effective


def test_what_can_not_be_used_leaves_the_old_version_deciding_with_an_alarm(site: Site) -> None:
    """A version this program can not compile: only a program that changed can have such a one."""
    second = site.approved(LOWER)
    with site.store() as store:
        texts = store.read(lambda r: ruleshelf.texts(r, second))
        broken = {"test.rules": texts.files["test.rules"] + "\nrule broken"}

        written = json.dumps(broken)
        store.write(lambda tx: tx._cursor.execute(f"{_DAMAGE} {second}", [written]))
    assert site.signed("ada", "activate", str(second)).returncode == 0

    def gave_up() -> bool:
        with site.store() as store:
            said = store.read(lambda r: r.audit_of(f"rules:{second}"))
        return said[-1].what == "could not use rules"

    eventually(gave_up)
    with Sender(site.lab.chem) as sender:
        assert b"\rMSA|AA|" in sender.send(result_message("C1", results=BETWEEN))
    assert outcomes(site.decisions()) == [(1, "release")]
    log = (site.lab.folder / "service.log").read_text()
    assert "Version 2 of the rules can not be used; version 1 goes on" in log
    site.lab.stop()
    refused = site.command("serve")
    assert refused.returncode == 2
    assert "verifier rollback" in refused.stderr
    assert site.signed("ada", "rollback", "--because", "broken").returncode == 0
    site.lab.start()
    with Sender(site.lab.chem) as sender:
        assert b"\rMSA|AA|" in sender.send(result_message("C2", specimen="S2", results=BETWEEN))
    assert outcomes(site.decisions())[-1] == (1, "release")


def test_the_folder_begins_the_versions_and_is_only_compared_later(site: Site) -> None:
    listed = site.run("rules", "versions")
    assert "version 1 by verifier: the folder" in listed
    assert "active from" in listed
    rules = site.lab.folder / "rules" / "test.rules"
    rules.write_text(LOWER)
    site.lab.stop()
    site.lab.start()
    assert "is not what version 1 says, and not used: verifier rules import" in site.lab.told
    with Sender(site.lab.chem) as sender:
        assert b"\rMSA|AA|" in sender.send(result_message("C1", results=BETWEEN))
    ((_, made),) = site.decisions()
    assert (made.version, made.decision.results[0].outcome) == (1, "release")
    explained = site.run("explain", "S1")
    with site.store() as store:
        version = store.read(lambda r: r.rule_version(1))
    assert version
    assert f"That is version 1 of the rules, hash {version.hash}." in explained
