"""What rules did in service is counted from real cases, and overrides become scenarios that run."""

import json
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from databases import database_url

from service.bench import ADA, NOW, PAT, Bench
from service.laboratory import RULES, result_message
from verifier.assurance.overrides import ADDED, tried
from verifier.assurance.usage import RuleUse, Usage
from verifier.cli import main
from verifier.errors import RefusedError
from verifier.language import check
from verifier.service import actions, settling
from verifier.service.overriding import NOTE, into_draft, read_override, texts_in_use
from verifier.service.ruleorders import begin
from verifier.service.ruleshelf import texts
from verifier.service.using import read_usage
from verifier.store.rows import Person
from verifier.store.rulerows import RuleTexts
from verifier.store.store import Store

MORE = """
rule high for potassium  from "invented for this test"
  hold when result > 6.0 mmol/L
  because "{test} {result} is high"

rule phone for potassium  from "invented for this test"
  hold when result = 6.1 mmol/L
  because "{test} {result}"
  call clinician within 30 minutes

rule elsewhere for sodium  from "invented for this test"
  when result > 200 mmol/L
  because "{test} {result}"
  comment "look again"

rule after-potassium for sodium  from "invented for this test"
  hold when potassium < 2.0 mmol/L
  when unknown hold
  because "no potassium yet"

rule dialysis for potassium  from "invented for this test"
  hold when attribute class is "D" and previous(result within 30 days) > 5.9 mmol/L
  when unknown ignore
  because "it was {earlier}"
"""


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    url = database_url(tmp_path)
    benches: list[Bench] = []

    def clock() -> datetime:
        return benches[0].now if benches else NOW

    with Store.open(url, checkpoints=tmp_path / "checkpoints", clock=clock) as store:
        benches.append(Bench(tmp_path, store, rules=RULES + MORE))
        yield benches[0]


def take(bench: Bench, specimen: str, potassium: str, **more: str) -> None:
    raw = result_message(
        f"{specimen}-{potassium}-{more.get('status', '')}", specimen=specimen,
        patient=more.pop("patient", specimen), results={"potassium": potassium}, **more,
    )  # fmt: skip
    bench.take(raw)


def settle(bench: Bench, specimen: str, action: object, minutes: int, comment: str = "") -> None:
    bench.now += timedelta(minutes=minutes)
    case = bench.case(specimen)
    places = settling.open_entries(case.record)
    judge = bench.line.judge
    bench.store.write(
        lambda tx: action(tx, judge, PAT, case.id, places, comment, bench.now)  # type: ignore[operator]
    )


def usage(bench: Bench, **more: int) -> Usage:
    program = bench.line.judge.program
    return read_usage(bench.store, program, NOW - timedelta(days=1), **more)


def use(found: Usage, rule: str) -> RuleUse:
    return next(item for item in found.rules if item.rule == rule)


def test_each_fate_is_counted_with_the_time_people_took(bench: Bench) -> None:
    for number, potassium in enumerate(("6.1", "6.5", "6.6", "6.7", "6.8"), start=1):
        take(bench, f"S{number}", potassium)
    settle(bench, "S1", actions.release, 10)  # 6.1: held by high and phone
    settle(bench, "S2", actions.release, 20)
    settle(bench, "S3", actions.reject, 30, "hemolyzed")
    take(bench, "S4", "4.4", status="C")  # the value that was held never left: this one may
    found = usage(bench)
    assert found.cases == 5
    high, critical = use(found, "high"), use(found, "critical")
    assert (high.held, high.alone) == (5, 0)
    assert (critical.held, critical.alone) == (4, 0)
    assert high.fates == {
        "unchanged": 2, "corrected": 1, "rejected": 1, "withdrawn": 0, "by rules": 0, "open": 1,
    }  # fmt: skip
    assert high.settled == 4
    minutes = [round(t.total_seconds() / 60) for t in (high.median,) if t]
    assert minutes == [30]  # of 10, 30 and 60: nobody settled the others
    assert [place for _, place in high.overrides] == [0, 0]
    assert high.overrides[0][0] == bench.case("S2").id


def test_what_the_rules_let_go_later_is_no_override(bench: Bench) -> None:
    bench.take(result_message("A", results={"sodium": "140"}))
    assert use(usage(bench), "after-potassium").fates["open"] == 1
    bench.take(result_message("B", results={"potassium": "4.2"}))
    found = use(usage(bench), "after-potassium")
    assert (found.held, found.fates["by rules"], found.settled) == (1, 1, 0)
    assert found.median is None


def test_one_specimen_is_one_decision_however_many_results_it_has(bench: Bench) -> None:
    both = {"potassium": "6.9", "sodium": "165"}
    bench.take(result_message("A", specimen="S1", patient="S1", results=both))
    settle(bench, "S1", actions.release, 1)
    found = use(usage(bench), "critical")
    assert (found.settled, found.specimens) == (2, 1)
    assert (found.standing(2), found.standing(1)) == ("", "always overridden")


def test_what_the_sender_takes_back_is_told_apart(bench: Bench) -> None:
    take(bench, "S1", "6.5")
    take(bench, "S1", "6.5", status="W")
    assert use(usage(bench), "critical").fates["withdrawn"] == 1


def test_a_rule_always_overridden_and_one_that_never_held_come_first(bench: Bench) -> None:
    for number in range(10, 20):
        take(bench, f"S{number}", "6.1")
        settle(bench, f"S{number}", actions.release, 1)
    found = usage(bench)
    first, second = found.rules[:2]
    assert (first.rule, first.standing()) == ("high", "always overridden")
    assert second.standing() == "never held anything"
    assert use(found, "elsewhere").standing() == "holds nothing by its own words"
    assert use(found, "high").standing(11) == ""
    assert use(found, "phone").standing() == "always released, and it asks to call"
    take(bench, "S20", "6.1")
    settle(bench, "S20", actions.reject, 1, "clotted")
    assert use(usage(bench), "high").standing() == ""


def test_reading_stops_at_what_was_asked_for_and_says_so(bench: Bench) -> None:
    for number in range(3):
        take(bench, f"S{number}", "6.1")
    found = usage(bench, most=2)
    assert (found.cases, found.all_read) == (2, False)
    assert usage(bench, most=3).all_read
    later = read_usage(bench.store, bench.line.judge.program, bench.now + timedelta(days=1))
    assert later.cases == 0


def test_the_command_prints_the_same_in_both_forms(
    bench: Bench, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "rules").mkdir()
    (tmp_path / "rules" / "all.rules").write_text(RULES + MORE, encoding="utf-8")
    take(bench, "S1", "6.5")
    settle(bench, "S1", actions.release, 90)
    bench.store.close()
    command = [
        "rules",
        "usage",
        "--config",
        str(tmp_path / "verifier.toml"),
        "--since",
        "2026-01-01",
    ]
    assert main([*command, "--json"]) == 1
    said = json.loads(capsys.readouterr().out)
    (critical,) = (item for item in said["rules"] if item["rule"] == "critical")
    assert critical["released unchanged"] == critical["held"] == 1
    assert critical["median seconds to settle"] == 90 * 60
    assert said["specimens"] == 1
    assert main([*command, "--least", "1"]) == 1
    text = capsys.readouterr().out
    assert "critical" in text
    assert "90 min  always overridden" in text
    assert main([*command[:-1], "soon"]) == 2
    assert "write a date" in capsys.readouterr().err


# --- overrides ---


def override(bench: Bench, specimen: str, place: int = 0):  # type: ignore[no-untyped-def]
    case, program = bench.case(specimen).id, bench.line.judge.program
    return bench.store.read(lambda reader: read_override(reader, program, case, place))


def test_an_override_is_a_scenario_that_parses_and_fails_for_the_same_reason(bench: Bench) -> None:
    take(bench, "S0", "6.0", patient="P7")
    take(bench, "S1", "6.5", patient="P7")
    settle(bench, "S1", actions.release, 3)
    written = override(bench, "S1")
    assert written.held_by == ("critical", "high")
    assert "expect potassium released" in written.text
    assert "woman of 56 years" in written.text  # born 1970-01-01, collected 2026-01-05
    for sign in ("P7", "S1", "Test", "Patient", "1970", "2026"):
        assert sign not in written.text
    files = {"test.rules": RULES + MORE}
    trial = tried(files, {}, written)
    assert trial.met is False
    assert trial.happened == "potassium is held by critical, high"
    assert trial.forbidden == ("it is a critical value",)
    promise = 'guarantee "nothing above 6.4"\n  never release potassium when potassium > 6.4 mmol/L'
    trial = tried({**files, "more.rules": promise}, {}, written)
    assert "the guarantee “nothing above 6.4” forbids it" in trial.forbidden
    without = {
        "test.rules": (RULES + MORE).replace("above 6.2", "above 9.0").replace("> 6.0", "> 9.0")
    }
    assert tried(without, {}, written).met is True
    assert check({**files, ADDED: written.text}).program is not None
    broken = tried({"test.rules": "rule nothing"}, {}, written)
    assert broken.met is None
    assert "there is no test 'potassium'" in broken.happened


def test_earlier_results_attributes_and_control_go_with_it(bench: Bench) -> None:
    visit = "PV1|1|D|3 East bed 12"
    first = result_message("A", specimen="S0", patient="P7", results={"potassium": "6.0"})
    first = first.replace(b"\rOBR", f"\r{visit}\rOBR".encode()).replace(
        b"20260105070000", b"20260102070000"
    )
    bench.take(first)
    second = result_message("B", specimen="S1", patient="P7", results={"potassium": "6.1"})
    bench.take(second.replace(b"\rOBR", f"\r{visit}\rOBR".encode()))
    settle(bench, "S1", actions.release, 3)
    written = override(bench, "S1")
    assert written.held_by == ("dialysis", "high", "phone")
    assert "potassium 6.0 mmol/L 3 days before" in written.text
    assert 'attribute class "D"' in written.text
    assert "East" not in written.text
    trial = tried({"test.rules": RULES + MORE}, {}, written)
    assert trial.happened == "potassium is held by dialysis, high, phone"


@pytest.mark.parametrize(
    ("born", "said"),
    [
        ("19700101", "woman of 56 years"),
        ("19310101", "woman of 90 years"),  # 95: see 45 CFR 164.514(b)(2)(i)(C)
        ("20251225", "girl of 11 days"),
        ("20250105", "girl of 12 months"),
        ("196906", "woman of 56 years"),
        ("", "given  potassium"),
    ],
)
def test_an_age_is_told_no_closer_than_a_rule_needs(bench: Bench, born: str, said: str) -> None:
    raw = result_message("A", results={"potassium": "6.5"})
    bench.take(raw.replace(b"|19700101|", f"|{born}|".encode()))
    settle(bench, "S1", actions.release, 3)
    assert said in override(bench, "S1").text


def test_what_was_not_overridden_is_refused(bench: Bench) -> None:
    take(bench, "S1", "4.2")
    with pytest.raises(RefusedError, match="No person has released"):
        override(bench, "S1")
    take(bench, "S2", "6.5")
    with pytest.raises(RefusedError, match="No person has released"):
        override(bench, "S2")
    raw = result_message("Z", specimen="S3", results={"potassium": "4.2"})
    bench.take(raw.replace(b"|4.2|mmol/L|||||", b"|4.2|mmol/L||?||||"))
    case = bench.case("S3")
    assert case.held == 1
    settle(bench, "S3", actions.release, 1)
    with pytest.raises(RefusedError, match="built-in safeguard"):
        override(bench, "S3")
    with pytest.raises(RefusedError, match="no such result"):
        override(bench, "S3", 7)


def test_overrides_are_collected_in_one_draft_of_the_active_version(bench: Bench) -> None:
    program = bench.line.judge.program
    written = RuleTexts({"test.rules": RULES + MORE}, {})
    first = bench.store.write(lambda tx: begin(tx, written, program, "first"))
    bench.line.use(program, first.version)
    judge = bench.line.judge
    assert bench.store.read(lambda reader: texts_in_use(reader, judge)) == written
    for number, potassium in enumerate(("6.5", "6.6"), start=1):
        take(bench, f"S{number}", potassium)
        settle(bench, f"S{number}", actions.release, 3)

    def add(specimen: str, who: Person = ADA) -> int:
        found = override(bench, specimen)
        return bench.store.write(lambda tx: into_draft(tx, who, first.version, found, bench.now).id)

    draft = add("S1")
    assert draft != first.version
    assert add("S2") == draft
    assert add("S2") == draft  # once is enough
    kept = bench.store.read(lambda reader: texts(reader, draft))
    assert kept.files["test.rules"] == RULES + MORE
    assert kept.files[ADDED].count("scenario ") == 2
    found = check(kept.files)
    assert found.program is not None
    version = bench.store.read(lambda reader: reader.rule_version(draft))
    assert version is not None
    assert (version.note, version.based_on) == (NOTE, first.version)
    with pytest.raises(RefusedError, match="takes the role administrator"):
        add("S1", PAT)
