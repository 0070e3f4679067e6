"""What happens by time alone: a wait that is over is judged again, once."""

import asyncio
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from databases import database_url

from service.bench import NOW, Bench
from service.laboratory import RULES, result_message
from verifier.facts.case import CaseRecord
from verifier.service import actions
from verifier.service.timers import end_waits
from verifier.store.store import Store

WAITING = (
    RULES
    + """
rule together for sodium  from "invented for this test"
  wait up to 20 minutes for potassium
  hold when potassium > 6.0 mmol/L
  when unknown {choice}
  because "potassium came with it"
"""
)
LATER = NOW + timedelta(minutes=21)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    url = database_url(tmp_path)
    with Store.open(url, checkpoints=tmp_path / "checkpoints") as opened:
        yield opened


def waiting_bench(folder: Path, store: Store, choice: str) -> Bench:
    bench = Bench(folder, store, rules=WAITING.replace("{choice}", choice))
    bench.take(result_message("M1", results={"sodium": "140"}))
    assert bench.outcomes() == {"sodium": "wait"}
    assert bench.outbox() == []
    return bench


def tick(bench: Bench, now: datetime) -> None:
    asyncio.run(end_waits(bench.store, lambda: bench.line.judge, lambda: now))


def due(bench: Bench, now: datetime) -> list[int]:
    return bench.store.read(lambda reader: reader.waiting_due(now))


def test_what_was_waited_for_ends_the_wait(tmp_path: Path, store: Store) -> None:
    bench = waiting_bench(tmp_path, store, "ignore")
    bench.take(result_message("M2", results={"potassium": "4.1"}))
    assert bench.outcomes() == {"sodium": "release", "potassium": "release"}
    assert bench.obx_sent() == [("2951-2", "140", "F"), ("2823-3", "4.1", "F")]
    assert due(bench, LATER) == []


@pytest.mark.parametrize(("choice", "outcome"), [("ignore", "release"), ("hold", "hold")])
def test_after_the_time_the_rule_says_what_becomes_of_it(
    tmp_path: Path, store: Store, choice: str, outcome: str
) -> None:
    bench = waiting_bench(tmp_path, store, choice)
    tick(bench, NOW + timedelta(minutes=19))
    assert bench.outcomes() == {"sodium": "wait"}
    tick(bench, LATER)
    assert bench.outcomes() == {"sodium": outcome}
    assert len(bench.outbox()) == (outcome == "release")
    decisions = bench.store.read(lambda reader: reader.decisions(bench.case().id))
    assert [decision.message_id is None for decision in decisions] == [False, True]
    tick(bench, LATER)
    assert len(bench.store.read(lambda reader: reader.decisions(bench.case().id))) == 2


def test_a_wait_that_ends_while_suspended_is_held(tmp_path: Path, store: Store) -> None:
    bench = waiting_bench(tmp_path, store, "ignore")
    store.write(lambda tx: actions.suspend(tx, "ann", "all", "", "new lamp", NOW))
    tick(bench, LATER)
    assert bench.outcomes() == {"sodium": "hold"}
    assert bench.outbox() == []


def test_one_case_on_which_we_fail_does_not_stop_the_others(
    tmp_path: Path, store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    bench = waiting_bench(tmp_path, store, "ignore")
    bench.take(result_message("M2", specimen="S2", patient="P2"))
    real = bench.line.judge.case_of

    def fails_on_the_first(tx: object, record: CaseRecord, *more: object) -> object:
        if record.specimen.key == "S1":
            raise ValueError("SECRET")
        return real(tx, record, *more)  # type: ignore[arg-type]

    monkeypatch.setattr(bench.line.judge, "case_of", fails_on_the_first)
    tick(bench, LATER)
    assert bench.outcomes("S1") == {"sodium": "wait"}
    assert bench.outcomes("S2") == {"sodium": "release"}
    assert "ValueError" in caplog.text
    assert "SECRET" not in caplog.text
