"""Every failure puts in doubt what was measured around it, however and whenever it becomes known;
and a control nobody could judge is doubt."""

from collections.abc import Iterator
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from databases import database_url

from service.bench import ADA, ANN, Bench
from service.test_controlling import (
    HOLD,
    control,
    correct,
    define,
    good,
    leave_out,
    level,
    outcome,
    patient,
    stands,
    stored,
    why_held,
)
from verifier.errors import RefusedError
from verifier.service import actions, qualityacts
from verifier.service.importing import take_lines
from verifier.store.ids import new_id
from verifier.store.qualityrows import ControlResult
from verifier.store.store import Store

BETWEEN = "Potassium: it was measured between the last good control on AN-1 and the next"


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    url = database_url(tmp_path)
    with Store.open(url, checkpoints=tmp_path / "checkpoints") as opened:
        yield opened


@pytest.fixture
def bench(tmp_path: Path, store: Store) -> Bench:
    return ready(tmp_path, store)


def ready(folder: Path, store: Store, *changes: tuple[str, str]) -> Bench:
    made = Bench(folder, store, changes=(*HOLD, *changes))
    define(made, level("low", "QC-L", "3.0"), level("high", "QC-H", "6.0"))
    return made


def file(bench: Bench, *lines: tuple[datetime, str, str], history: bool = False) -> None:
    """Import measurements: when, the level, the value."""
    read = [
        (
            ControlResult(
                new_id(), None, at, bench.now, "potassium", "AN-1", None, f"Serum {name}", "A1",
                Decimal(value), "mmol/L",
            ),
            "Serum",
            name,
        )
        for at, name, value in lines
    ]  # fmt: skip
    controls = bench.line.controls
    bench.store.write(lambda tx: take_lines(tx, controls, "ann", read, bench.now, history=history))


def listed(bench: Bench) -> list[tuple[str, str]]:
    return [(r.specimen, r.state) for r in bench.store.read(lambda r: r.open_reviews())]


@pytest.mark.parametrize("recovery", ["good controls", "corrective action"])
def test_a_file_with_a_failure_and_its_end_is_followed_in_the_order_of_time(
    tmp_path: Path, store: Store, recovery: str
) -> None:
    bench = ready(tmp_path, store, ("[quality]", f'[quality]\nrecovery = "{recovery}"'))
    patient(bench, "S0")
    good(bench)
    patient(bench, "S1")
    patient(bench, "S2", "6.9")
    patient(bench, "S3", analyzer="AN-2")
    failed = bench.now = bench.now + timedelta(minutes=1)
    if recovery == "corrective action":
        bench.now += timedelta(minutes=1)
        bench.store.write(
            lambda tx: tx.add_corrective_action("potassium", "AN-1", "ann", "primed", bench.now)
        )
    bench.now += timedelta(minutes=1)
    patient(bench, "S4")
    over = bench.now = bench.now + timedelta(minutes=1)
    bench.now += timedelta(minutes=1)
    patient(bench, "S5")
    assert [outcome(bench, f"S{n}") for n in (1, 4, 5)] == ["release"] * 3
    file(bench, (failed, "high", "6.4"), (over, "low", "3.0"), (over, "high", "6.0"))
    assert stands(bench).state == "in control"
    assert listed(bench) == [("S1", "released"), ("S2", "held"), ("S4", "released")]
    assert BETWEEN in why_held(bench, "S2"), "good controls at the end of the file free nothing"
    trail = bench.store.read(lambda reader: reader.audit_of("control:potassium"))
    (told,) = [entry.detail for entry in trail if entry.what == "a control failed"]
    assert told
    assert (told["because"], told["until"]) == (
        "a control failed (Serum high: 1-3s)", over.isoformat(),
    )  # fmt: skip
    file(bench, (failed, "high", "6.4"))
    assert len(listed(bench)) == 3, "the same file again lists nothing twice"


def test_two_failures_of_one_file_are_followed_each(tmp_path: Path, store: Store) -> None:
    bench = ready(tmp_path, store, ("[quality]", '[quality]\nrecovery = "good controls"'))
    began = bench.now
    good(bench)
    for number in range(1, 7):
        bench.now = began + timedelta(minutes=10 * number)
        patient(bench, f"S{number}")

    def at(minute: int) -> datetime:
        return began + timedelta(minutes=minute)

    file(
        bench,
        (at(15), "high", "6.4"), (at(25), "high", "6.0"), (at(26), "low", "3.0"),
        (at(45), "low", "2.5"), (at(55), "low", "3.0"), (at(56), "high", "6.0"),
    )  # fmt: skip
    assert [name for name, _ in listed(bench)] == ["S1", "S2", "S3", "S4", "S5"]
    reviews = bench.store.read(lambda r: r.open_reviews())
    assert [r.failed for r in reviews] == [at(15)] * 2 + [at(45)] * 3
    assert stands(bench).state == "in control"


def test_what_fails_by_a_value_that_came_late_is_followed(tmp_path: Path, store: Store) -> None:
    """2-2s becomes known when the first of two values arrives after the second."""
    bench = ready(tmp_path, store, ("[quality]", '[quality]\nrecovery = "good controls"'))
    good(bench)
    before = bench.now
    bench.now += timedelta(minutes=1)
    patient(bench, "S1")
    control(bench, "QC-H-1", "6.25")
    bench.now += timedelta(minutes=1)
    good(bench)
    assert listed(bench) == []
    file(bench, (before + timedelta(seconds=9), "high", "6.25"))
    assert listed(bench) == [("S1", "released")]
    assert stands(bench).state == "in control"


def test_history_puts_nothing_in_doubt(bench: Bench) -> None:
    good(bench)
    patient(bench, "S1")
    bench.now += timedelta(minutes=1)
    file(bench, (bench.now, "high", "6.9"), history=True)
    assert stored(bench)[-1].verdict == "rejected"
    assert (listed(bench), stands(bench).state) == ([], "in control")


def test_after_the_end_of_a_failure_no_open_result_says_it_goes_on(bench: Bench) -> None:
    good(bench)
    patient(bench, "S1", "6.9")
    control(bench, "QC-H-1", "6.4")
    patient(bench, "S2")
    correct(bench)
    assert "out of control on AN-1" in why_held(bench, "S2")[0]
    good(bench)
    for specimen in ("S1", "S2"):
        assert outcome(bench, specimen) == "hold"
        said = why_held(bench, specimen)
        assert BETWEEN in said
        assert not any("out of control" in text for text in said)


@pytest.mark.parametrize(
    ("tube", "value", "more", "said"),
    [
        ("QC-H-1", ">33", {}, "Serum high: "),
        ("QC-H-1", "****", {}, "Serum high: "),
        ("QC-H-1", "9.9", {"lot": "A2"}, "lot A2 is not defined for 'QC-H-1'"),
        ("QCH-1", "9.9", {}, "no control level of potassium is marked with the start of 'QCH-1'"),
        ("QC-H-1", "6.0", {"unit": "furlong"}, "Serum high: "),
    ],
)
def test_a_control_nobody_could_judge_holds_until_one_in_control_comes(
    bench: Bench, tube: str, value: str, more: dict[str, str], said: str
) -> None:
    good(bench)
    patient(bench, "S1")
    control(bench, tube, value, **more)
    assert stands(bench).state == "control not judged"
    assert f"a control could not be judged: {said}" in stands(bench).why
    patient(bench, "S2")
    assert [outcome(bench, "S1"), outcome(bench, "S2")] == ["release", "hold"]
    assert "its control state is not known on AN-1: a control could not" in why_held(bench, "S2")[0]
    assert listed(bench) == [], "nobody knows that anything failed"
    control(bench, "QC-L-1", "3.0")
    patient(bench, "S3")
    assert outcome(bench, "S3") == "hold", "the other level says nothing of this one"
    control(bench, "QC-H-1", "6.0")
    assert stands(bench).state == "in control"
    patient(bench, "S4")
    assert outcome(bench, "S4") == "release"


def test_where_the_level_is_not_known_every_level_is_measured_again(bench: Bench) -> None:
    good(bench)
    control(bench, "QCX-1", "6.0")
    control(bench, "QC-H-1", "6.0")
    assert stands(bench).state == "control not judged"
    control(bench, "QC-L-1", "3.0")
    assert stands(bench).state == "in control"


def test_a_failure_is_not_hidden_by_a_control_nobody_could_judge(bench: Bench) -> None:
    good(bench)
    control(bench, "QC-H-1", "6.4")
    control(bench, "QC-H-1", "****")
    assert stands(bench).state == "out of control"
    correct(bench)
    control(bench, "QC-L-1", "3.0")
    control(bench, "QC-H-1", "****")
    assert stands(bench).state == "out of control", "what can not be read mends nothing"
    good(bench)
    assert stands(bench).state == "in control"


def test_a_person_may_leave_out_what_could_not_be_judged(bench: Bench) -> None:
    good(bench)
    control(bench, "WATER", "0.1")
    assert stands(bench).state == "control not judged"
    leave_out(bench, stored(bench)[-1].id, "rinse water, no control")
    assert stands(bench).state == "in control"


def test_an_expired_lot_says_so(tmp_path: Path, store: Store) -> None:
    bench = Bench(tmp_path, store, changes=HOLD)
    end = bench.now + timedelta(hours=1)
    define(bench, level("low", "QC-L", "3.0", expires=end))
    control(bench, "QC-L-1", "3.0")
    assert stands(bench).state == "in control"
    bench.now = end + timedelta(minutes=1)
    control(bench, "QC-L-1", "3.0")
    assert stands(bench).state == "control not judged"
    assert "lot A1 of Serum low expired on 2026-01-05" in stands(bench).why
    bench.now += timedelta(hours=30)
    patient(bench, "S1")
    assert "expired on 2026-01-05" in why_held(bench, "S1")[0]


def test_when_controls_are_overdue_the_lots_that_expired_are_named(
    tmp_path: Path, store: Store
) -> None:
    bench = Bench(tmp_path, store, changes=HOLD)
    define(bench, level("low", "QC-L", "3.0", expires=bench.now + timedelta(hours=1)))
    control(bench, "QC-L-1", "3.0")
    bench.now += timedelta(hours=30)
    patient(bench, "S1")
    (said,) = why_held(bench, "S1")
    assert said.endswith("its controls are overdue; lot A1 of Serum low expired on 2026-01-05")


def test_the_record_of_a_specimen_tells_of_the_failure_and_of_what_was_found(bench: Bench) -> None:
    good(bench)
    patient(bench, "S1")
    control(bench, "QC-H-1", "6.4")
    (review,) = bench.store.read(lambda r: r.open_reviews())

    def look(who: object = ANN) -> None:
        bench.store.write(
            lambda tx: qualityacts.look_into(tx, who, "review", [review.id], "fine", bench.now)  # type: ignore[arg-type]
        )

    with pytest.raises(RefusedError):
        look(ADA)
    look()
    trail = bench.store.read(lambda reader: reader.audit_for_case(bench.case("S1").id))
    told = {entry.what: entry for entry in trail}
    failure, signed = told["a control failed after it"], told["looked into a review"]
    assert failure.detail
    assert failure.detail["because"] == "a control failed (Serum high: 1-3s)"
    assert failure.detail["test"] == "potassium"
    assert (signed.who, signed.detail and signed.detail["found"]) == ("ann", "fine")
    case = bench.case("S1").id
    (seen,) = bench.store.read(lambda r: r.reviews_of_case(case))
    assert (seen.seen_by, seen.note) == ("ann", "fine")
    with pytest.raises(RefusedError):
        bench.store.write(
            lambda tx: actions.release(tx, bench.line.judge, ANN, case, [0], "", bench.now)
        )
