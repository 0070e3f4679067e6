"""Calls of critical results: when they open, who is next, how they end, what is known already."""

import statistics
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from databases import database_url
from msgspec.structs import replace

from service.bench import ADA, ANN, NOW, PAT, Bench
from service.laboratory import RULES, result_message
from verifier.errors import RefusedError
from verifier.practice import Calls
from verifier.service import actions, calling, correcting
from verifier.service.calling import figures, step_of
from verifier.service.opening import is_known, minutes_of
from verifier.store.actrows import Attempt, CallRow, CallState
from verifier.store.store import Store

CALLING = RULES.replace("for every test  from", "for every test\n  from") + (
    '  flag "HH"\n  call clinician within 20 minutes\n'
)
PLAN = Calls()


@pytest.fixture
def make(tmp_path: Path) -> Iterator[Callable[..., Bench]]:
    stores: list[Store] = []

    def made(*changes: tuple[str, str]) -> Bench:
        bench = Bench(tmp_path, None, rules=CALLING, changes=changes)  # type: ignore[arg-type]
        url, folder = database_url(tmp_path), tmp_path / "checkpoints"
        bench.store = Store.open(url, checkpoints=folder, clock=lambda: bench.now)
        stores.append(bench.store)
        return bench

    yield made
    for store in stores:
        store.close()


def calls(bench: Bench) -> list[CallRow]:
    return bench.store.read(lambda reader: reader.open_calls())


def take(bench: Bench, specimen: str, potassium: str, **more: Any) -> None:
    raw = result_message(
        f"{specimen}-{potassium}", specimen=specimen, results={"potassium": potassium}, **more
    )
    bench.take(raw)


def read_back(bench: Bench, number: int, **more: Any) -> None:
    said = {
        "taken_by": "Nurse Example",
        "taken_role": "nurse",
        "note": "",
        "confirmed": True,
    } | more
    plan = bench.line.settings.calls
    confirmed = said.pop("confirmed")
    bench.store.write(
        lambda tx: calling.read_back(
            tx, plan, ANN, number, now=bench.now, confirmed=bool(confirmed), **said
        )
    )


def test_a_critical_result_is_called_within_the_time_of_the_rule(
    make: Callable[..., Bench],
) -> None:
    bench = make()
    take(bench, "S1", "4.0", patient="P2")
    assert calls(bench) == [], "nothing critical"
    take(bench, "S2", "6.9")
    (call,) = calls(bench)
    assert (call.test, call.value, call.flag, call.rule) == ("potassium", "6.9", "HH", "critical")
    assert (call.whom, call.due - call.opened) == ("clinician", timedelta(minutes=20))
    bench.store.write(lambda tx: bench.line.judge.judge_again(tx, call.case_id, bench.now))
    assert calls(bench) == [call], "judging again opens nothing"
    take(bench, "S2", "7.4", status="C")
    (after,) = calls(bench)
    assert (after.id, after.value, after.due) == (call.id, "7.4", call.due), "its clock runs on"


def test_a_call_ends_with_the_read_back_alone(make: Callable[..., Bench]) -> None:
    bench = make()
    take(bench, "S1", "6.9")
    (call,) = calls(bench)

    def nobody(who: Any, whom: str = "ward 3 East") -> None:
        bench.store.write(
            lambda tx: calling.attempt(tx, who, call.id, whom, "busy", bench.now, reached=False)
        )

    with pytest.raises(RefusedError, match="technologist or a pathologist"):
        nobody(ADA)
    with pytest.raises(RefusedError, match="who was called"):
        nobody(ANN, " ")
    nobody(ANN)
    bench.now += timedelta(minutes=7)
    with pytest.raises(RefusedError, match="read back"):
        read_back(bench, call.id, confirmed=False)
    with pytest.raises(RefusedError, match="by name and role"):
        read_back(bench, call.id, taken_role="")
    read_back(bench, call.id)
    with pytest.raises(RefusedError, match="closed meanwhile by ann"):
        read_back(bench, call.id)
    kept = bench.store.read(lambda r: (r.call(call.id), r.attempts(call.id)))
    assert kept[0]
    assert (kept[0].state, kept[0].taken_by, kept[0].taken_role) == (
        "told",
        "Nurse Example",
        "nurse",
    )
    assert [(one.whom, one.reached) for one in kept[1]] == [
        ("ward 3 East", False), ("Nurse Example", True),
    ]  # fmt: skip
    trail = bench.store.read(lambda r: r.audit_for_case(call.case_id))
    (entry,) = [e for e in trail if e.what == "told a critical result"]
    assert entry.detail
    assert (entry.detail["minutes"], entry.detail["read back"]) == (7.0, True)


def test_what_is_known_is_not_called_again_until_it_is_worse(make: Callable[..., Bench]) -> None:
    bench = make()
    take(bench, "S1", "6.9")
    read_back(bench, calls(bench)[0].id)
    take(bench, "S2", "6.8")
    take(bench, "S3", "7.5")
    assert calls(bench) == [], "7.5 is less than a tenth above 6.9"
    take(bench, "S4", "7.7")
    assert [call.value for call in calls(bench)] == ["7.7"]
    take(bench, "S5", "6.9", patient="P2")
    assert len(calls(bench)) == 2, "another patient's"
    bench.now += timedelta(hours=25)
    take(bench, "S6", "6.7")
    assert len(calls(bench)) == 3, "the time is over"


def test_a_person_closes_a_call_as_known_with_a_reason(make: Callable[..., Bench]) -> None:
    bench = make()
    take(bench, "S1", "6.9")
    number = calls(bench)[0].id

    def close(reason: str) -> None:
        bench.store.write(lambda tx: calling.close_as_known(tx, PAT, number, reason, bench.now))

    with pytest.raises(RefusedError, match="Say why"):
        close(" ")
    close("dialysis tonight, the ward called us")
    take(bench, "S2", "6.9")
    assert calls(bench) == []


def test_a_rejected_result_needs_no_call_and_a_corrected_one_may(
    make: Callable[..., Bench],
) -> None:
    bench = make()
    take(bench, "S1", "6.9")
    bench.act(actions.reject, ANN, [0], "hemolyzed")
    assert calls(bench) == []
    (row,) = bench.store.read(lambda r: r.calls_of_case(bench.case().id))
    assert (row.state, row.note) == ("not needed", "the result was rejected")
    bench.store.write(lambda tx: correcting.undo(tx, bench.line.judge, ANN, row.case_id, bench.now))
    assert [call.value for call in calls(bench)] == ["6.9"], "held again, so to be told again"
    bench.act(actions.reject, ANN, [0], "hemolyzed")
    take(bench, "S2", "4.0")
    case = bench.case("S2").id
    bench.store.write(
        lambda tx: correcting.correct(
            tx, bench.line.judge, PAT, case, 0, "7.1", "digits swapped", bench.now
        )
    )
    assert [call.value for call in calls(bench)] == ["7.1"]


def test_a_site_may_have_the_call_before_or_after_the_release(make: Callable[..., Bench]) -> None:
    bench = make(("[quality]", '[calls]\nwhen = "before release"\n[quality]'))
    take(bench, "S1", "6.9")
    with pytest.raises(RefusedError, match="Call first"):
        bench.act(actions.release, ANN, [0], "")
    read_back(bench, calls(bench)[0].id)
    bench.act(actions.release, ANN, [0], "")
    bench.store.close()
    bench = make(("[quality]", '[calls]\nwhen = "after release"\n[quality]'))
    take(bench, "S9", "6.9", patient="P9")
    number = calls(bench)[0].id
    with pytest.raises(RefusedError, match="Release the result first"):
        read_back(bench, number)
    case = bench.case("S9").id
    bench.store.write(
        lambda tx: actions.release(tx, bench.line.judge, ANN, case, [0], "", bench.now)
    )
    read_back(bench, number)


CALL = CallRow(
    1, 2, 0, "P", "potassium", "Potassium", "6.9", "mmol/L", "HH", "critical", "clinician", NOW,
    NOW + timedelta(minutes=30),
)  # fmt: skip


@pytest.mark.parametrize(
    ("minutes", "failed", "level"),
    [(0, 0, 0), (14, 1, 0), (15, 0, 1), (0, 2, 1), (29, 2, 1), (30, 0, 2), (5, 4, 2), (500, 99, 2)],
)
def test_a_call_goes_on_by_time_or_by_attempts(minutes: int, failed: int, level: int) -> None:
    tried = [Attempt(n, 1, NOW, "ann", "ward", reached=False, note="") for n in range(failed)]
    step = step_of(PLAN, CALL, tried, NOW + timedelta(minutes=minutes))
    assert (step.level, step.line) == (level, PLAN.lines[level])
    assert step.overdue == (minutes > 30)


@pytest.mark.parametrize(
    ("value", "flag", "unit", "known"),
    [
        ("6.9", "HH", "mmol/L", True), ("7.59", "HH", "mmol/L", True),
        ("7.60", "HH", "mmol/L", False), ("2.1", "LL", "mmol/L", False),
        ("6.9", "", "mmol/L", False), (">9", "HH", "mmol/L", False), ("6.9", "HH", "mg/dL", False),
    ],
)  # fmt: skip
def test_doubt_calls(value: str, flag: str, unit: str, known: bool) -> None:
    call = replace(CALL, value=value, flag=flag, unit=unit)
    assert (is_known(PLAN, call, [CALL]) is not None) == known


def test_below_the_limit_worse_is_less() -> None:
    told = replace(CALL, value="-20", flag="LL")  # such as a base excess
    assert is_known(PLAN, replace(told, value="-21"), [told])
    assert not is_known(PLAN, replace(told, value="-22.1"), [told])


def test_the_time_of_a_rule() -> None:
    assert [minutes_of(text, 30) for text in (
        "clinician within 20 minutes", "clinician within 1 hour", "clinician within 2 days", "",
    )] == [20, 60, 2880, 30]  # fmt: skip


def test_the_figures_of_a_period() -> None:
    """Against the median and the percentile of the standard library, on minutes made up here."""
    minutes = [3, 5, 8, 13, 21, 34, 55]

    def ended(state: CallState, after: float | None) -> CallRow:
        closed = None if after is None else NOW + timedelta(minutes=after)
        return replace(CALL, state=state, closed=closed)

    rows = [ended("told", m) for m in minutes]
    rows += [ended("known", 1), ended("not needed", 2), ended("open", None)]
    found = figures(rows, NOW + timedelta(minutes=31))
    assert (found.opened, found.told, found.known, found.not_needed) == (10, 7, 1, 1)
    assert found.median == statistics.median(minutes)
    assert found.p90 == pytest.approx(statistics.quantiles(minutes, n=10, method="inclusive")[8])
    assert (found.in_time, found.missed) == (5, 3), "34, 55, and the one open past its time"
    assert found.share == pytest.approx(5 / 8)
    early = figures(rows, NOW + timedelta(minutes=29))
    assert (early.missed, early.still_open) == (2, 1), "not due yet, so not missed"
    assert figures([], NOW).share is None
    assert figures([rows[0]], NOW).p90 == 3
