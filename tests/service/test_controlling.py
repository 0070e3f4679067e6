"""Controls over the line: recognised, judged, and what a failure holds, lists and lets go."""

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from databases import database_url

from service.bench import ADA, ANN, Bench
from service.laboratory import result_message
from verifier.errors import RefusedError
from verifier.service import actions, qualityacts
from verifier.service.gating import stands_now
from verifier.store.ids import new_id
from verifier.store.qualityrows import ControlLevel, ControlResult, StandingRow
from verifier.store.store import Store

HOLD = (('without_state = "assume in control"', 'without_state = "hold"'),)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    url = database_url(tmp_path)
    with Store.open(url, checkpoints=tmp_path / "checkpoints") as opened:
        yield opened


@pytest.fixture
def bench(tmp_path: Path, store: Store) -> Bench:
    made = Bench(tmp_path, store, changes=HOLD)
    define(made, level("low", "QC-L", "3.0"), level("high", "QC-H", "6.0"))
    return made


def level(
    name: str, mark: str, mean: str, *, lot: str = "A1", analyzer: str = "", sd: str = "0.1",
    expires: datetime | None = None, test: str = "potassium",
) -> ControlLevel:  # fmt: skip
    return ControlLevel(
        new_id(), test, analyzer, "Serum", lot, name, mark, "mmol/L", Decimal(mean), Decimal(sd),
        datetime(2026, 1, 1, tzinfo=UTC), expires,
    )  # fmt: skip


def define(bench: Bench, *levels: ControlLevel) -> None:
    controls = bench.line.controls
    bench.store.write(lambda tx: qualityacts.define_levels(tx, controls, "ann", levels, bench.now))


def control(
    bench: Bench,
    tube: str,
    value: str,
    *,
    analyzer: str = "AN-1",
    lot: str = "",
    unit: str = "mmol/L",
) -> None:
    """An OUL^R22 of one control specimen, as the standard orders it: SPM, SAC, INV, OBR, OBX."""
    at = (bench.now + timedelta(seconds=1)).strftime("%Y%m%d%H%M%S+0000")
    number = f"C{new_id() % 10**12}"
    segments = [
        f"MSH|^~\\&|ANALYZER|LAB|VERIFIER|LAB|{at}||OUL^R22^OUL_R22|{number}|P|2.5.1",
        f"SPM|1|{tube}||SER^Serum^HL70487|||||||Q^Control^HL70369||||||{at}",
        f"SAC|||{tube}",
        f"INV|X^Control^L|OK|CO{'|' * 13}{lot}",
        f"OBR|1||{tube}|K^Potassium^L",
        f"OBX|1|NM|2823-3^Potassium^LN||{value}|{unit}|||||F|||||||{analyzer}|{at}",
    ]
    bench.take(("\r".join(segments) + "\r").encode())


def patient(bench: Bench, specimen: str, value: str = "4.1", *, analyzer: str = "AN-1") -> None:
    raw = result_message(f"M{specimen}", specimen=specimen, results={"potassium": value})
    obx = f"OBX|1|NM|2823-3^Potassium^LN||{value}|mmol/L|||||F"
    raw = raw.replace(obx.encode(), f"{obx}|||||||{analyzer}".encode())
    assert analyzer.encode() in raw
    bench.take(raw)


def good(bench: Bench, analyzer: str = "AN-1") -> None:
    control(bench, "QC-L-1", "3.02", analyzer=analyzer)
    control(bench, "QC-H-1", "5.97", analyzer=analyzer)


def stands(bench: Bench, analyzer: str = "AN-1") -> StandingRow:
    row = bench.store.read(lambda reader: reader.standing("potassium", analyzer))
    assert row
    return row


def stored(bench: Bench, analyzer: str = "AN-1") -> list[ControlResult]:
    return bench.store.read(lambda reader: reader.control_results("potassium", analyzer, 99))


def why_held(bench: Bench, specimen: str) -> list[str]:
    decision = bench.case(specimen).decision
    assert decision
    return [reason.text for reason in decision.results[0].reasons]


def outcome(bench: Bench, specimen: str) -> str:
    return bench.outcomes(specimen)["potassium"]


def correct(bench: Bench, said: str = "new electrode", analyzer: str = "AN-1") -> None:
    bench.now += timedelta(seconds=1)
    controls = bench.line.controls
    bench.store.write(
        lambda tx: qualityacts.correct(tx, controls, ANN, "potassium", analyzer, said, bench.now)
    )


def say(bench: Bench, state: str, analyzer: str = "") -> None:
    bench.now += timedelta(seconds=1)
    bench.store._writer._clock = lambda: bench.now  # type: ignore[union-attr]
    bench.store.write(
        lambda tx: actions.set_control(tx, ANN, "potassium", state, "", bench.now, analyzer)  # type: ignore[arg-type]
    )


def test_a_defined_test_is_held_until_its_levels_are_measured(bench: Bench) -> None:
    patient(bench, "S1")
    assert outcome(bench, "S1") == "hold"
    assert why_held(bench, "S1") == [
        "Potassium: its control state is not known on AN-1: not measured: Serum high, Serum low"
    ]
    control(bench, "QC-L-1", "3.02")
    patient(bench, "S2")
    assert outcome(bench, "S2") == "hold"
    control(bench, "QC-H-1", "5.97")
    patient(bench, "S3")
    assert (outcome(bench, "S3"), stands(bench).state) == ("release", "in control")


def test_the_analyzer_of_the_result_decides(bench: Bench) -> None:
    good(bench, "AN-1")
    control(bench, "QC-H-1", "6.4", analyzer="AN-2")
    patient(bench, "S1", analyzer="AN-1")
    patient(bench, "S2", analyzer="AN-2")
    patient(bench, "S3", analyzer="AN-3")
    assert [outcome(bench, s) for s in ("S1", "S2", "S3")] == ["release", "hold", "hold"]
    (said,) = why_held(bench, "S2")
    assert said == "Potassium: it is out of control on AN-2: a control failed (Serum high: 1-3s)"


def test_a_result_keeps_what_it_was_judged_by(bench: Bench) -> None:
    control(bench, "QC-L-77", "3.25", lot="A1")
    (one,) = stored(bench)
    assert (one.verdict, one.rules, one.mean, one.sd, one.basis) == (
        "warning", ("1-2s",), Decimal("3.0"), Decimal("0.1"), "insert",
    )  # fmt: skip
    assert (one.lot, one.specimen, one.value) == ("A1", "QC-L-77", Decimal("3.25"))


def test_what_is_not_known_is_kept_and_shown(bench: Bench) -> None:
    control(bench, "QC-L-1", "3.0", lot="B7")
    control(bench, "OTHER-1", "3.0")
    control(bench, "QC-L-1", "3.0", unit="furlong")
    kept = bench.store.read(lambda reader: reader.controls_not_judged(bench.now - timedelta(1)))
    assert {(one.specimen, one.level_id is None) for one in kept} == {
        ("QC-L-1", True), ("OTHER-1", True), ("QC-L-1", False),
    }  # fmt: skip
    said = " ".join(one.note for one in kept)
    assert "lot B7 is not defined" in said
    assert "no control level of potassium is marked with the start of 'OTHER-1'" in said
    assert "furlong" in said
    assert stands(bench, "").state == "overdue"


def test_an_expired_lot_vouches_for_nothing(tmp_path: Path, store: Store) -> None:
    bench = Bench(tmp_path, store, changes=HOLD)
    define(bench, level("low", "QC-L", "3.0", expires=bench.now - timedelta(days=1)))
    control(bench, "QC-L-1", "3.0")
    (one,) = stored(bench)
    assert one.verdict == "not judged"
    assert "expired on 2026-01-04" in one.note


def test_a_failure_holds_what_is_open_and_lists_what_has_left(bench: Bench) -> None:
    patient(bench, "S0", analyzer="AN-1")
    good(bench)
    patient(bench, "S1")
    patient(bench, "S2", "6.9")
    patient(bench, "S3", analyzer="AN-2")
    control(bench, "QC-H-1", "6.4")
    listed = bench.store.read(lambda reader: reader.open_reviews())
    assert [(one.specimen, one.state) for one in listed] == [("S1", "released"), ("S2", "held")]
    trail = bench.store.read(lambda reader: reader.audit_of("control:potassium"))
    (told,) = [entry.detail for entry in trail if entry.what == "a control failed"]
    assert told
    assert (told["released"], told["held"], told["specimens released"]) == (1, 1, ["S1"])
    assert any("out of control on AN-1" in text for text in why_held(bench, "S2"))


def test_good_controls_later_let_nothing_of_the_bracket_leave_by_itself(bench: Bench) -> None:
    good(bench)
    patient(bench, "S1", "6.9")
    control(bench, "QC-H-1", "6.4")
    patient(bench, "S2")
    correct(bench)
    good(bench)
    assert stands(bench).state == "in control"
    for specimen in ("S1", "S2"):
        case = bench.case(specimen).id
        bench.store.write(lambda tx, case=case: bench.line.judge.judge_again(tx, case, bench.now))
        assert outcome(bench, specimen) == "hold"
        assert any("between the last good control on AN-1" in t for t in why_held(bench, specimen))
    patient(bench, "S3")
    assert outcome(bench, "S3") == "release"
    bench.store.write(
        lambda tx: actions.release(
            tx, bench.line.judge, ANN, bench.case("S2").id, [0], "repeated", bench.now
        )
    )
    assert ("2823-3", "4.1", "F") in bench.obx_sent()


def test_a_failure_ends_with_an_action_and_good_controls(bench: Bench) -> None:
    good(bench)
    control(bench, "QC-H-1", "6.4")
    good(bench)
    assert stands(bench).state == "out of control"
    correct(bench)
    assert stands(bench).state == "out of control"
    good(bench)
    assert stands(bench).state == "in control"


def test_no_rule_looks_back_over_an_action(bench: Bench) -> None:
    for _ in range(3):
        control(bench, "QC-H-1", "6.15")
    correct(bench, "calibrated")
    control(bench, "QC-H-1", "6.15")
    assert [one.verdict for one in stored(bench)] == ["accepted"] * 4
    for _ in range(3):
        control(bench, "QC-H-1", "6.15")
    assert stored(bench)[-1].rules == ("4-1s",)


def test_an_action_needs_the_role_and_words(bench: Bench) -> None:
    controls, now = bench.line.controls, bench.now
    for who, said, told in ((ADA, "x", "technologist"), (ANN, " ", "Say what")):
        with pytest.raises(RefusedError, match=told):
            bench.store.write(
                lambda tx, who=who, said=said: qualityacts.correct(
                    tx, controls, who, "potassium", "", said, now
                )
            )


def test_controls_are_overdue_by_time(bench: Bench) -> None:
    good(bench)
    bench.now += timedelta(hours=23)
    patient(bench, "S1")
    bench.now += timedelta(hours=2)
    patient(bench, "S2")
    assert [outcome(bench, "S1"), outcome(bench, "S2")] == ["release", "hold"]
    assert "its controls are overdue" in why_held(bench, "S2")[0]


def test_controls_are_overdue_by_results(tmp_path: Path, store: Store) -> None:
    more = ("[quality]", "[quality]\noverdue_results = 3")
    bench = Bench(tmp_path, store, changes=(*HOLD, more))
    define(bench, level("low", "QC-L", "3.0"), level("high", "QC-H", "6.0"))
    good(bench)
    for number in range(4):
        patient(bench, f"S{number}")
    assert [outcome(bench, f"S{n}") for n in range(4)] == ["release"] * 3 + ["hold"]
    assert "3 patients' results since its controls" in why_held(bench, "S3")[0]
    control(bench, "QC-L-1", "3.0")
    patient(bench, "S5")
    assert outcome(bench, "S5") == "hold", "one level alone is not enough"
    control(bench, "QC-H-1", "6.0")
    patient(bench, "S6")
    assert outcome(bench, "S6") == "release"


def test_what_a_person_recorded_outranks_the_controls_until_one_fails(bench: Bench) -> None:
    say(bench, "in control")
    patient(bench, "S1")
    assert outcome(bench, "S1") == "release", "a person vouches where nothing was measured"
    control(bench, "QC-H-1", "6.4")
    patient(bench, "S2")
    assert outcome(bench, "S2") == "hold", "a control failed after it"
    say(bench, "in control")
    patient(bench, "S3")
    assert outcome(bench, "S3") == "release"
    control(bench, "QC-H-1", "6.5")
    patient(bench, "S4")
    assert outcome(bench, "S4") == "hold", "and once more"
    listed = bench.store.read(lambda reader: reader.open_reviews())
    assert [one.specimen for one in listed if one.state == "released"] == ["S1", "S3"]
    correct(bench)
    good(bench)
    say(bench, "out of control")
    patient(bench, "S5")
    assert outcome(bench, "S5") == "hold"
    bench.store.write(lambda tx: qualityacts.take_back_state(tx, ANN, "potassium"))
    patient(bench, "S6")
    assert outcome(bench, "S6") == "release"


def test_a_state_is_recorded_for_one_analyzer(tmp_path: Path, store: Store) -> None:
    bench = Bench(tmp_path, store, changes=HOLD)
    patient(bench, "S0")
    assert why_held(bench, "S0") == [
        "Potassium: its control state is not known on AN-1: no control is defined for it"
    ]
    say(bench, "in control", "AN-1")
    for number, analyzer in enumerate(("AN-1", "AN-2"), 1):
        patient(bench, f"S{number}", analyzer=analyzer)
    assert [outcome(bench, "S1"), outcome(bench, "S2")] == ["release", "hold"]
    say(bench, "in control")
    say(bench, "out of control", "AN-2")
    for number, analyzer in enumerate(("AN-1", "AN-2"), 3):
        patient(bench, f"S{number}", analyzer=analyzer)
    assert [outcome(bench, "S3"), outcome(bench, "S4")] == ["release", "hold"]
    (said,) = why_held(bench, "S4")
    assert said == "Potassium: it is out of control on AN-2: recorded by ann"
    bench.store.write(lambda tx: qualityacts.take_back_state(tx, ANN, "potassium", "AN-2"))
    patient(bench, "S5", analyzer="AN-2")
    assert outcome(bench, "S5") == "release", "what was said of every analyzer counts again"
    say(bench, "out of control", "AN-1")
    say(bench, "in control")
    patient(bench, "S6", analyzer="AN-1")
    assert outcome(bench, "S6") == "release", "what is said of every analyzer replaces the others"


def test_what_a_person_releases_while_out_of_control_is_listed(bench: Bench) -> None:
    def release(specimen: str) -> None:
        case, judge = bench.case(specimen).id, bench.line.judge
        bench.store.write(
            lambda tx: actions.release(tx, judge, ANN, case, [0], "asked for", bench.now)
        )

    good(bench)
    patient(bench, "S1", "6.9")
    release("S1")
    patient(bench, "S2", "6.9")
    control(bench, "QC-H-1", "6.4")
    patient(bench, "S3")
    release("S2")
    release("S3")
    listed = bench.store.read(lambda reader: reader.open_reviews())
    assert [(one.specimen, one.state, one.now) for one in listed] == [
        ("S1", "released", "released"), ("S2", "held", "released"), ("S3", "released", "released"),
    ]  # fmt: skip
    assert bench.store.read(lambda reader: reader.to_look_into()) == 3
    trail = bench.store.read(lambda reader: reader.audit_for_case(bench.case("S3").id))
    (signed,) = [entry.detail for entry in trail if entry.what == "released"]
    assert signed
    assert signed["out of control"] == ["potassium"]


def test_a_person_says_since_when_results_are_in_doubt(tmp_path: Path, store: Store) -> None:
    bench = Bench(tmp_path, store, changes=HOLD)
    controls = bench.line.controls

    def doubt(since: datetime, analyzer: str = "") -> None:
        say(bench, "out of control", analyzer)
        bench.store.write(
            lambda tx: qualityacts.doubt_since(
                tx, controls, ANN, "potassium", analyzer, since, bench.now
            )
        )

    say(bench, "in control")
    patient(bench, "S1")
    began = bench.now + timedelta(seconds=1)
    patient(bench, "S2", analyzer="AN-2")
    patient(bench, "S3")
    patient(bench, "S4", "6.9")
    with pytest.raises(RefusedError, match="lies ahead"):
        doubt(bench.now + timedelta(hours=1))
    doubt(began, "AN-1")
    listed = [("S3", "released"), ("S4", "held")]
    assert [(r.specimen, r.state) for r in bench.store.read(lambda r: r.open_reviews())] == listed
    say(bench, "in control")
    case = bench.case("S4").id
    bench.store.write(lambda tx: bench.line.judge.judge_again(tx, case, bench.now))
    assert any("between the last good control on AN-1" in text for text in why_held(bench, "S4"))
    doubt(began)
    listed.append(("S2", "released"))
    found = bench.store.read(lambda r: r.open_reviews())
    assert [(r.specimen, r.state) for r in found] == listed, "nothing is listed twice"
    assert found[-1].analyzer == "AN-2"


def leave_out(bench: Bench, number: int, why: str = "the wrong vial") -> None:
    bench.now += timedelta(seconds=1)
    controls = bench.line.controls
    bench.store.write(lambda tx: qualityacts.leave_out(tx, controls, ANN, number, why, bench.now))


def test_a_value_left_out_counts_for_no_rule_and_stays_on_record(bench: Bench) -> None:
    good(bench)
    control(bench, "QC-H-1", "6.25")
    leave_out(bench, stored(bench)[-1].id)
    control(bench, "QC-H-1", "6.25")
    *_, out, last = stored(bench)
    assert (out.left_out_by, out.left_out_why, out.verdict) == ("ann", "the wrong vial", "warning")
    assert last.rules == ("1-2s",), "it would be 2-2s with the one before"
    with pytest.raises(RefusedError, match="left out already"):
        leave_out(bench, out.id)
    with pytest.raises(RefusedError, match="Say why"):
        leave_out(bench, last.id, " ")
    trail = bench.store.read(lambda reader: reader.audit_of("control:potassium"))
    assert [e.detail for e in trail if e.what == "left a control value out"] == [
        {"analyzer": "AN-1", "specimen": "QC-H-1", "value": "6.25", "verdict": "warning",
         "because": "the wrong vial"}
    ]  # fmt: skip


def test_leaving_a_value_out_ends_no_failure_and_vouches_for_nothing(bench: Bench) -> None:
    good(bench)
    control(bench, "QC-H-1", "6.25")
    control(bench, "QC-H-1", "6.25")
    *_, warned, rejected = stored(bench)
    assert rejected.rules == ("2-2s", "1-2s")
    leave_out(bench, warned.id)
    assert stands(bench).state == "out of control", "what was rejected with it stays rejected"
    leave_out(bench, rejected.id)
    assert stands(bench).state == "out of control"
    correct(bench)
    good(bench)
    assert stands(bench).state == "in control"
    leave_out(bench, stored(bench)[-1].id)
    assert stands(bench).state == "out of control"
    assert "after the corrective action not every level has been accepted" in stands(bench).why


def test_own_figures_are_judged_by_once_there_are_enough(tmp_path: Path, store: Store) -> None:
    least = ("[quality]", "[quality]\nown_least = 4")
    bench = Bench(tmp_path, store, changes=(*HOLD, least))
    defined = level("low", "QC-L", "3.0")
    define(bench, defined)
    bench.store.write(lambda tx: qualityacts.choose_basis(tx, ANN, defined.id, "own", bench.now))
    for value in ("3.10", "3.12", "3.10", "3.12", "3.11"):
        control(bench, "QC-L-1", value)
    *insert, own = stored(bench)
    assert {one.basis for one in insert} == {"insert"}
    assert (own.basis, own.mean) == ("own", Decimal("3.11"))
    assert own.sd is not None
    assert round(own.sd, 6) == Decimal("0.011547")


def test_a_resend_of_a_control_counts_once(bench: Bench) -> None:
    control(bench, "QC-L-1", "3.25")
    (one,) = stored(bench)
    again = one.__class__(**{f: getattr(one, f) for f in one.__struct_fields__} | {"id": new_id()})
    assert bench.store.write(lambda tx: bench.line.controls.keep(tx, [again], bench.now)) == 0
    assert len(stored(bench)) == 1


def test_a_new_lot_beside_the_old_one_is_told_apart_by_its_lot(bench: Bench) -> None:
    define(bench, level("low", "QC-L", "4.0", lot="B2"))
    control(bench, "QC-L-1", "4.0", lot="B2")
    control(bench, "QC-L-1", "3.0")
    known, unclear = stored(bench)
    assert (known.verdict, known.mean) == ("accepted", Decimal("4.0"))
    assert "fits several control levels: Serum low lot A1, Serum low lot B2" in unclear.note
    with pytest.raises(RefusedError, match="defined for potassium already"):
        define(bench, level("low", "QC-L", "4.0", lot="B2"))


MONITOR = """
[quality.monitors.potassium]
kind = "mean"
size = 3
target = 4.1
low = 3.9
high = 4.3
"""


def test_patients_results_that_drift_raise_an_alarm(tmp_path: Path, store: Store) -> None:
    hold = ("[quality]", '[quality]\nmonitor_alarm = "hold"')
    bench = Bench(tmp_path, store, changes=(*HOLD, hold, ("\n[web]", f"{MONITOR}\n[web]")))
    define(bench, level("low", "QC-L", "3.0"), level("high", "QC-H", "6.0"))
    good(bench)
    for number, value in enumerate(("4.1", "4.2", "4.4", "4.6", "4.6")):
        patient(bench, f"S{number}", value)
    (alarm,) = bench.store.read(lambda reader: reader.open_alarms())
    assert alarm.text == "moving mean 4.4 is above 4.3"

    def state() -> tuple[str, str]:
        quality = bench.line.settings.quality
        rows = bench.store.read(lambda reader: stands_now(reader, quality, bench.now))
        return next((each.state, each.why) for each in rows if each.row.analyzer == "AN-1")

    assert [outcome(bench, f"S{n}") for n in range(5)] == ["release"] * 4 + ["hold"]
    assert "patients' results: moving mean 4.4" in why_held(bench, "S4")[0]
    assert state() == (
        "out of control",
        "patients' results: moving mean 4.4 is above 4.3; its controls: in control",
    )
    bench.store.write(
        lambda tx: qualityacts.look_into(tx, ANN, "alarm", [alarm.id], "ward 3", bench.now)
    )
    assert state() == ("in control", "")
    patient(bench, "S9", "4.5")
    assert outcome(bench, "S9") == "release"
    (statistic,) = bench.store.read(lambda reader: reader.monitors())
    assert (round(Decimal(statistic.statistic), 4), statistic.alarm) == (Decimal("4.2333"), False)
    patient(bench, "T1", "4.5")
    (again,) = bench.store.read(lambda reader: reader.open_alarms())
    assert again.text == "moving mean 4.3667 is above 4.3", "the bias goes on: it alarms anew"
    patient(bench, "T2", "4.1")
    assert outcome(bench, "T2") == "hold"
    trail = bench.store.read(lambda reader: reader.audit_of("control:potassium"))
    assert [e.detail and e.detail["found"] for e in trail if e.what == "looked into an alarm"] == [
        "ward 3"
    ]


def test_an_ewma_that_was_looked_into_alarms_again_while_the_bias_goes_on(
    tmp_path: Path, store: Store
) -> None:
    """EWMA by hand: λ 0.2, target 4.1, limits ±0.2; results of 4.6: 4.2, 4.28, 4.344."""
    plan = '\n[quality.monitors.potassium]\nkind = "ewma"\nweight = 0.2\ntarget = 4.1\n'
    plan += "low = 3.9\nhigh = 4.3\n"
    bench = Bench(tmp_path, store, changes=(*HOLD, ("\n[web]", f"{plan}\n[web]")))
    define(bench, level("low", "QC-L", "3.0"), level("high", "QC-H", "6.0"))
    good(bench)
    for round_ in "ABC":
        for number in (1, 2, 3):
            patient(bench, f"{round_}{number}", "4.6")
        (alarm,) = bench.store.read(lambda reader: reader.open_alarms())
        assert alarm.text == "EWMA 4.344 is above 4.3"
        patient(bench, f"{round_}4", "4.1")
        assert outcome(bench, f"{round_}4") == "hold"
        bench.store.write(
            lambda tx, alarm=alarm: qualityacts.look_into(
                tx, ANN, "alarm", [alarm.id], "nothing found", bench.now
            )
        )
        (statistic,) = bench.store.read(lambda reader: reader.monitors())
        assert (statistic.statistic, statistic.alarm) == ("4.1", False)
