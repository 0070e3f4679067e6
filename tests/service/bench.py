"""A line on a real database, without sockets, and what can be asked of it."""

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from databases import database_url

from service.laboratory import CONFIGURATION, RULES
from verifier import settings
from verifier.language import check
from verifier.service.line import Answer, Line
from verifier.store.rows import OutgoingRow, Person, StoredCase
from verifier.store.store import Store

NOW = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)
ANN = Person("ann", "technologist", False, 0, None, NOW)
PAT = Person("pat", "pathologist", False, 0, None, NOW)
ADA = Person("ada", "administrator", False, 0, None, NOW)


class Bench:
    """A line on an empty database; `changes` are made to the text of the configuration."""

    def __init__(
        self, folder: Path, store: Store, *, rules: str = RULES, held: str = "withhold",
        changes: tuple[tuple[str, str], ...] = (),
    ) -> None:  # fmt: skip
        path = folder / "verifier.toml"
        ports = {"chem": 1, "second": 2, "lis": 3, "web": 4}
        text = f'database = "{database_url(folder)}"\n'
        text += CONFIGURATION.format(**ports, held=held, answer_seconds=1)
        for before, after in changes:
            assert before in text
            text = text.replace(before, after, 1)
        path.write_text(text)
        site = settings.load(path)
        checked = check({"test.rules": rules}, conventional=site.units == "conventional")
        assert checked.program, checked.diagnostics
        self.line = Line(site, checked.program)
        self.store = store
        self.now = NOW

    def take(self, raw: bytes, connection: str = "chem") -> Answer:
        self.now += timedelta(seconds=1)
        return self.store.write(lambda tx: self.line.take(tx, connection, raw, self.now))

    def act(self, action: Callable[..., None], who: Person, *args: Any) -> None:
        """Do one of `service.actions` on the case of specimen S1, with nothing written on it."""
        case = self.case()
        judge = self.line.judge
        self.store.write(lambda tx: action(tx, judge, who, case.id, *args, self.now))

    def case(self, specimen: str = "S1") -> StoredCase:
        found = self.store.read(lambda reader: reader.case_by_specimen(specimen))
        assert found
        return found

    def outcomes(self, specimen: str = "S1") -> dict[str, str]:
        """What was decided last on each test."""
        decision = self.case(specimen).decision
        assert decision
        return {result.test: result.outcome for result in (*decision.results, *decision.derived)}

    def outbox(self, destination: str = "lis") -> list[OutgoingRow]:
        return self.store.read(lambda reader: reader.outbox(destination))

    def obx_sent(self, destination: str = "lis") -> list[tuple[str, str, str]]:
        """(code, value, status) of every OBX in the outbox, in order."""
        return [obx for row in self.outbox(destination) for obx in obx_of(row.payload)]


def obx_of(payload: bytes) -> list[tuple[str, str, str]]:
    lines = payload.decode().split("\r")
    fields = [line.split("|") for line in lines if line.startswith("OBX")]
    return [(f[3].split("^")[0], f[5], f[11]) for f in fields]
