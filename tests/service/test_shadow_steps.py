"""The steps of a shadow run on a real database, with its own process and without sockets."""

import asyncio
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from databases import database_url

from service.bench import NOW, Bench
from service.laboratory import RULES, result_message
from verifier.assurance.replaying import Replay
from verifier.service import shadowacts, shadowing
from verifier.service.candidates import Candidate
from verifier.service.shadowing import Shadowing
from verifier.store import Store, ids
from verifier.store.rulerows import RuleTexts
from verifier.store.shadows import Shadow

LENIENT = RULES.replace("below 2.8, above 6.2", "below 2.8, above 7.1")


@pytest.fixture
def laboratory(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Bench]:
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "test.rules").write_text(RULES)
    monkeypatch.setattr(ids, "IDS", ids.Ids())
    monkeypatch.setattr(shadowing, "_BEHIND", -1.0)
    url = database_url(tmp_path)
    with Store.open(url, checkpoints=tmp_path / "checkpoints", clock=lambda: NOW) as store:
        yield Bench(tmp_path, store)


def begin(bench: Bench) -> None:
    candidate = Candidate("lenient", RuleTexts({"test.rules": LENIENT}, {}))
    bench.store.write(
        lambda tx: shadowacts.start(tx, "ada", candidate, candidate.program().identity)
    )


def arrives(bench: Bench, specimen: str, potassium: str) -> None:
    raw = result_message(
        f"M{specimen}", specimen=specimen, patient=specimen, results={"potassium": potassium}
    )
    bench.take(raw)


def told(bench: Bench) -> tuple[Shadow, Replay]:
    shadow = bench.store.read(lambda reader: reader.shadows()[-1])
    return shadow, shadowacts.report(bench.store, shadow)


async def steps(bench: Bench, *, nodes: int = 1) -> None:
    """One step of each node at once, twice."""
    running = [Shadowing(bench.store, bench.line.settings) for _ in range(nodes)]
    try:
        for _ in range(2):
            await asyncio.gather(*(node.step() for node in running))
    finally:
        for node in running:
            node.close()


def test_every_decision_is_judged_once_however_many_nodes_there_are(laboratory: Bench) -> None:
    arrives(laboratory, "S0", "6.9")
    begin(laboratory)
    for number, value in enumerate(("4.4", "6.9", "6.5", "9.0"), 1):
        arrives(laboratory, f"S{number}", value)
    asyncio.run(steps(laboratory, nodes=2))
    shadow, found = told(laboratory)
    assert (shadow.judged, shadow.differing, shadow.failed, shadow.trouble) == (4, 3, 0, "")
    assert [(change.specimen, change.kind) for change in found.changes] == [
        ("S3", "newly released"), ("S2", "newly released"), ("S4", "other words"),
    ]  # fmt: skip
    assert (found.counts.specimens, found.counts.released_before) == (4, 1)
    assert found.counts.released_after == 3


def test_after_an_end_nothing_more_is_judged(laboratory: Bench) -> None:
    begin(laboratory)
    arrives(laboratory, "S1", "6.9")
    asyncio.run(steps(laboratory))
    laboratory.store.write(lambda tx: shadowacts.stop(tx, "ada"))
    arrives(laboratory, "S2", "6.9")
    asyncio.run(steps(laboratory))
    shadow, found = told(laboratory)
    assert shadow.judged == found.counts.decisions == 1
    assert shadow.ended_by == "ada"


def test_the_process_beside_that_dies_is_started_again(
    laboratory: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    begin(laboratory)
    arrives(laboratory, "S1", "6.9")

    async def killed_between() -> None:
        node = Shadowing(laboratory.store, laboratory.line.settings)
        await node.step()
        assert node._pool is not None
        for process in list(node._pool._processes.values()):
            process.kill()
            process.join()
        arrives(laboratory, "S2", "6.9")
        await node.step()
        assert "BrokenProcessPool" in told(laboratory)[0].trouble
        await node.step()
        node.close()

    asyncio.run(killed_between())
    shadow, _ = told(laboratory)
    assert (shadow.judged, shadow.trouble) == (2, "")


def test_a_clock_that_was_ahead_and_was_set_back_does_not_stop_it(laboratory: Bench) -> None:
    """Ids go on from where they were, hours ahead; the next ones are judged all the same."""
    begin(laboratory)
    ids.IDS.stay_above(ids.id_at(datetime.now(UTC) + timedelta(hours=2)))
    arrives(laboratory, "S1", "6.9")
    asyncio.run(steps(laboratory))
    assert told(laboratory)[0].judged == 1
