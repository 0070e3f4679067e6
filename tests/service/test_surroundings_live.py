"""Specimen age, preceding values and control states on the running line, and offline the same."""

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest
from databases import database_url

from service.bench import Bench
from service.laboratory import RULES
from verifier.decide.explain import sentences
from verifier.decide.offline import Offline
from verifier.facts.case import Case
from verifier.facts.catalogue import ConnectionMap
from verifier.hl7.message import Message
from verifier.language import Program, check
from verifier.store.store import Store

ASKING = (
    RULES
    + """
rule neighbor for potassium
  from "invented for this test"
  hold when preceding(potassium) = potassium and preceding(sodium) = sodium
  when unknown ignore
  because "{test} {result} as the specimen before"

rule old for potassium
  from "invented for this test"
  hold when specimen age > 4 hours
  when unknown hold
  because "measured after {specimen age}"

rule drifted for sodium
  from "invented for this test"
  hold when potassium is out of control
  when unknown ignore
  because "potassium is out of control on the same electrodes"
"""
)


def sent(
    number: int,
    patient: str,
    potassium: str,
    *,
    at: str = "",
    sodium: str = "140",
    analyzer: str = "AN1",
) -> bytes:
    measured = at and f"20260105{at}00+0000"
    results = (("2951-2^Sodium^LN", sodium), ("2823-3^Potassium^LN", potassium))
    lines = [
        f"MSH|^~\\&|A|LAB|V|LAB|20260105090000+0000||ORU^R01^ORU_R01|M{number}|P|2.5.1",
        f"PID|1||{patient}^^^LAB^MR||Test^Patient||19700101|F",
        f"OBR|1|S{number}|S{number}|BMP^Panel^L|||20260105070000+0000",
        *(
            f"OBX|{n}|NM|{code}||{value}|mmol/L|||||F|||||||{analyzer}|{measured}"
            for n, (code, value) in enumerate(results, 1)
        ),
        f"SPM|1|S{number}||SER^Serum^HL70487|||||||P|||||20260105070000+0000",
    ]
    return "\r".join(lines).encode()


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    url = database_url(tmp_path)
    with Store.open(url, checkpoints=tmp_path / "checkpoints") as store:
        yield Bench(tmp_path, store, rules=ASKING)


def rules_of(bench: Bench, specimen: str) -> set[str]:
    decision = bench.case(specimen).decision
    assert decision
    return {reason.rule for result in decision.results for reason in result.reasons}


def facts_of(bench: Bench, specimen: str) -> Case:
    """Return the facts the last decision on a specimen was made from."""
    case = bench.case(specimen)
    kept = bench.store.read(lambda r: r.decisions(case.id))[-1]
    facts = bench.store.read(lambda r: r.facts(kept.id))
    assert facts
    return facts


def test_two_patients_with_the_same_values_in_a_row_are_held(bench: Bench) -> None:
    bench.take(sent(1, "A", "4.7", at="0801"))
    bench.take(sent(2, "B", "4.7", at="0802"))
    bench.take(sent(3, "C", "4.2", at="0803"))
    bench.take(sent(4, "D", "4.2", at="0804", sodium="139"))
    assert [rules_of(bench, f"S{n}") for n in (1, 2, 3, 4)] == [set(), {"neighbor"}, set(), set()]
    told = sentences(bench.case("S2").decision)  # type: ignore[arg-type]
    assert any("preceding Potassium = 4.7 mmol/L at 2026-01-05T08:01:00" in one for one in told)
    assert any("(specimen S1 on AN1)" in one for one in told)


def test_the_order_is_that_of_measuring_not_of_arrival(bench: Bench) -> None:
    bench.take(sent(1, "A", "4.7", at="0810"))
    bench.take(sent(2, "B", "4.7", at="0805"))
    assert rules_of(bench, "S2") == set()
    bench.take(sent(3, "C", "4.7", at="0806"))
    assert rules_of(bench, "S3") == {"neighbor"}


def test_another_analyzer_and_the_same_patient_are_no_neighbors(bench: Bench) -> None:
    bench.take(sent(1, "A", "4.7", at="0801"))
    bench.take(sent(2, "B", "4.7", at="0802", analyzer="AN2"))
    bench.take(sent(3, "A", "4.7", at="0803"))
    assert rules_of(bench, "S2") | rules_of(bench, "S3") == set()


def test_judged_again_it_has_the_same_neighbor_and_the_same_age(bench: Bench) -> None:
    bench.take(sent(1, "A", "4.7", at="0801"))
    bench.take(sent(2, "B", "4.7"))  # no time: its arrival, 09:00:02
    first, case = facts_of(bench, "S2"), bench.case("S2")
    assert {item.specimen for item in first.preceding.values()} == {"S1"}
    bench.take(sent(3, "C", "4.4", at="0901"))
    bench.take(sent(4, "C", "4.4"))
    later = bench.now + timedelta(hours=9)
    bench.store.write(lambda tx: bench.line.judge.judge_again(tx, case.id, later))
    again = facts_of(bench, "S2")
    assert again.preceding == first.preceding
    assert [r.measured for r in again.results] == [r.measured for r in first.results]
    assert "old" not in rules_of(bench, "S2")
    bench.take(sent(5, "C", "4.4", at="0859"))  # measured between the two, told of only now
    bench.store.write(lambda tx: bench.line.judge.judge_again(tx, case.id, later))
    assert {item.specimen for item in facts_of(bench, "S2").preceding.values()} == {"S5"}


def test_an_old_specimen_is_held_with_its_age(bench: Bench) -> None:
    bench.take(sent(1, "A", "4.7", at="1101"))
    assert rules_of(bench, "S1") == {"old"}
    told = sentences(bench.case("S1").decision)  # type: ignore[arg-type]
    assert any(one.startswith("  Measured after 4 hours 1 minute (old;") for one in told)


def test_the_control_state_is_read_from_the_record(bench: Bench) -> None:
    bench.store.write(
        lambda tx: tx.set_control_state("potassium", "out of control", "ann", "drift")
    )
    bench.take(sent(1, "A", "4.7", at="0801"))
    decision = bench.case("S1").decision
    assert decision
    assert [{r.rule for r in one.reasons} for one in decision.results] == [
        {"drifted"}, {"built-in:quality-control"},
    ]  # fmt: skip


def test_where_no_rule_asks_nothing_is_kept_or_looked_for(tmp_path: Path) -> None:
    url = database_url(tmp_path)
    with Store.open(url, checkpoints=tmp_path / "checkpoints") as store:
        plain = Bench(tmp_path, store)
        plain.take(sent(1, "A", "4.7", at="0801"))
        plain.take(sent(2, "B", "4.7", at="0802"))
        assert facts_of(plain, "S2").preceding == {}
        rows = "SELECT count(*), count(analyzer), count(measured) FROM result"
        assert store.read(lambda r: r._cursor.execute(rows).fetchone()) == (4, 4, 0)


def test_offline_decides_the_same(bench: Bench) -> None:
    program: Program | None = check({"a.rules": ASKING}).program
    assert program
    connection = ConnectionMap("chem", specimens={"SER": "serum"})
    offline = Offline(program, connection, dict.fromkeys(program.catalogue.tests, "in control"))
    wires = [
        sent(1, "A", "4.7", at="0801"), sent(2, "B", "4.7", at="0802"),
        sent(3, "A", "4.7", at="1103"), sent(4, "D", "4.7", at="0802", sodium="139"),
        sent(5, "", "4.7", at="1104"), sent(2, "B", "4.8", at="0802"),
    ]  # fmt: skip
    for number, wire in enumerate(wires, 1):
        bench.take(wire)
        (judged,) = offline.judge(Message.read(wire), bench.now)
        specimen = judged.case.specimen.key
        stored = facts_of(bench, specimen)
        assert stored.preceding == judged.case.preceding, number
        decision = bench.case(specimen).decision
        assert decision
        assert [r.reasons for r in decision.results] == [
            r.reasons for r in judged.decision.results
        ], number
