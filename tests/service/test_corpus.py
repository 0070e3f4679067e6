"""Result messages from public projects, if they are at hand: each is answered and accounted for."""

import os
from datetime import UTC, datetime
from pathlib import Path

import pytest
from databases import database_url

from service.laboratory import CONFIGURATION
from verifier import settings
from verifier.language import check
from verifier.rulefiles import read_files
from verifier.service.line import Line
from verifier.store.store import Store

TOP = Path(__file__).parent.parent.parent
CORPUS = Path(os.environ.get("VERIFIER_CORPUS", TOP.parent / "shared" / "corpus"))
NOW = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)
RESULTS = (b"|ORU^R01", b"|OUL^R22")
LEAST_ACCEPTED = (
    50  # what the published messages hold at the least; a guard against looking at none
)


def line_for(folder: Path) -> Line:
    program = check(read_files(TOP / "rules")[0]).program
    assert program
    path = folder / "verifier.toml"
    ports = {"chem": 1, "second": 2, "lis": 3, "web": 4, "held": "withhold", "answer_seconds": 1}
    path.write_text(CONFIGURATION.format(**ports))
    loaded = settings.load(path)
    chem = loaded.connections["chem"].model_copy(update={"processing": ("P", "T", "D")})
    return Line(loaded.model_copy(update={"connections": {"chem": chem}}), program)


def asks_for_silence(raw: bytes) -> bool:
    """MSH-15 asks for no accept acknowledgement, or for one in case of an error only."""
    fields = raw.replace(b"\n", b"\r").split(b"\r", 1)[0].split(raw[3:4])
    return len(fields) > 14 and fields[14] in {b"NE", b"ER"}


@pytest.mark.skipif(not CORPUS.is_dir(), reason="no corpus of messages here; set VERIFIER_CORPUS")
def test_every_message_is_answered_and_accounted_for(tmp_path: Path) -> None:
    line = line_for(tmp_path)
    files = [file for file in sorted(CORPUS.rglob("*")) if file.is_file() and file.suffix != ".md"]
    outcomes: dict[str, int] = {}
    with Store.open(database_url(tmp_path), checkpoints=tmp_path / "c") as store:
        for file in files:
            raw = file.read_bytes()
            answer = store.write(lambda tx, raw=raw: line.take(tx, "chem", raw, NOW))
            outcomes[answer.outcome] = outcomes.get(answer.outcome, 0) + 1
            if raw.lstrip().startswith(b"MSH") and any(mark in raw[:400] for mark in RESULTS):
                assert answer.ack or asks_for_silence(raw), file.name
        problems = store.read(lambda reader: reader.problems(most=10_000))
    assert sum(outcomes.values()) == len(files)
    assert outcomes["accepted"] >= LEAST_ACCEPTED
    refused = outcomes["unreadable"] + outcomes["rejected"]
    assert sum(problem.outcome in {"unreadable", "rejected"} for problem in problems) == refused
