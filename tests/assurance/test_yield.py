"""`verifier rules yield` on a handful of labeled messages, counted by hand."""

import json
from pathlib import Path
from typing import Any

import pytest

from verifier.cli import main

RULES = """
test potassium "Potassium"
  code  LOINC 2823-3
  in    serum
  unit  mmol/L  decimals 1

test sodium "Sodium"
  code  LOINC 2951-2
  in    serum
  unit  mmol/L  decimals 0

test hemolysis "Hemolysis index"
  code  local "H-INDEX"
  unit  g/L
  interference index
  uncontrolled

limits for potassium
  from "a made-up procedure"
  critical below 2.8, above 6.2
  change   at most 1.0 within 3 days

limits for sodium
  from "a made-up procedure"
  critical below 120, above 158

rule critical for every test except hemolysis
  from "a made-up list"
  hold when result is critical
  because "{test} {result}"

rule changed for potassium
  from "a made-up procedure"
  hold when result changed too much
  when unknown ignore
  because "{test} {result} after {earlier}"

rule hemolyzed for potassium
  from "a made-up procedure"
  hold when hemolysis >= 1 g/L
  when unknown ignore
  because "index {hemolysis}"

rule later for sodium
  from "a made-up procedure"
  wait up to 20 minutes for potassium
  hold when potassium < 2 mmol/L
  when unknown ignore
  because "{potassium}"
"""
HEADER: dict[str, Any] = {
    "cases": 1,
    "faults": ["hemolysis", "mix-up"],
    "reasons": ["critical"],
    "aims": {"critical": ["critical"], "hemolyzed": ["hemolysis"], "changed": ["mix-up"]},
}
NAMES = {"potassium": "2823-3", "sodium": "2951-2"}


def case(
    key: str, patient: str, hour: int, values: dict[str, str], index: str = "0.1",
    kinds: tuple[str, ...] = (), **labels: dict[str, Any],
) -> dict[str, Any]:  # fmt: skip
    """A message of one specimen; `labels` by the name of the test."""
    stamp = f"2025010{1 + hour // 24}{hour % 24:02}0000+0000"
    segments = [
        f"MSH|^~\\&|A|L|V|L|{stamp}||ORU^R01^ORU_R01|{key}|P|2.5.1",
        f"PID|1||{patient}^^^LAB^MR||||19700101|F",
        f"OBR|1|{key}|{key}|P^Panel^L|||{stamp}",
    ]
    for name, value in values.items():
        segments.append(f"OBX|1|NM|{NAMES[name]}^{name}^LN||{value}|mmol/L|||||F")
    segments.append(f"OBX|9|NM|H-INDEX^Hemolysis^L||{index}|g/L|||||F")
    segments.append(f"SPM|1|{key}||SER^Serum^HL70487|||||||P||||||{stamp}")
    results = {NAMES[name]: label for name, label in labels.items()}
    truth = {"class": "ward", "specimens": {key: {"kinds": kinds, "results": results}}}
    return {"message": "\r".join(segments) + "\r", "truth": truth}


@pytest.fixture
def rules(tmp_path: Path) -> Path:
    folder = tmp_path / "rules"
    folder.mkdir()
    (folder / "all.rules").write_text(RULES)
    return folder


class Counted:
    """Runs the command on cases and gives exit code and report."""

    def __init__(self, rules: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.rules, self.capsys = rules, capsys

    def __call__(self, *cases: dict[str, Any], form: str = "--json") -> tuple[int, Any]:
        file = self.rules.parent / "cases.jsonl"
        file.write_text("\n".join(json.dumps(line) for line in (HEADER, *cases)) + "\n")
        code = main(["rules", "yield", str(self.rules), "--cases", str(file), form])
        out = self.capsys.readouterr().out
        return code, json.loads(out) if form == "--json" else out


@pytest.fixture
def counted(rules: Path, capsys: pytest.CaptureFixture[str]) -> Counted:
    return Counted(rules, capsys)


def test_shares_count_results_and_whole_specimens_and_no_index(counted: Counted) -> None:
    code, found = counted(
        case("T1", "1", 8, {"potassium": "4.0", "sodium": "140"}),
        case(
            "T2", "2", 9, {"potassium": "6.9", "sodium": "140"}, potassium={"kinds": ["critical"]}
        ),
    )
    assert code == 0
    assert found["results"] == {"judged": 4, "released": 3, "percent": 75.0}
    assert found["specimens"] == {"judged": 2, "released": 1, "percent": 50.0}
    assert found["tests"]["potassium"]["percent"] == 50.0
    assert found["classes"]["ward"]["judged"] == 4
    assert set(found["tests"]) == {"potassium", "sodium"}


def test_a_rule_is_right_where_it_is_meant_to_be(counted: Counted) -> None:
    _, found = counted(
        case("T1", "1", 8, {"potassium": "6.9"}, potassium={"kinds": ["critical"]}),
        case("T2", "2", 8, {"potassium": "6.9"}, "1.5", ("hemolysis",),
             potassium={"true": "4.9", "kinds": ["hemolysis"], "harm": "critical"}),
    )  # fmt: skip
    critical, hemolyzed = found["rules"]["critical"], found["rules"]["hemolyzed"]
    assert (critical["fired"], critical["right"], critical["wrong"]) == (2, 1, 1)
    assert critical["wrong_alone"] == 0, "the other rule held it as well"
    assert (hemolyzed["fired"], hemolyzed["right"]) == (1, 1)
    assert found["faults"]["hemolysis"]["critical"] == 1
    assert found["faults"]["hemolysis"]["rules"] == {"critical": 1, "hemolyzed": 1}


def test_a_dangerous_result_that_leaves_is_named_and_is_a_finding(counted: Counted) -> None:
    label = {"true": "2.5", "kinds": ["hemolysis"], "harm": "critical"}
    spoiled = case("T1", "1", 8, {"potassium": "4.4"}, "0.9", ("hemolysis",), potassium=label)
    code, found = counted(spoiled)
    assert code == 1
    assert [(slip["message"], slip["reported"], slip["true"]) for slip in found["slips"]] == [
        ("T1", "4.4 mmol/L", "2.5")
    ]
    assert found["rules"]["hemolyzed"]["missed"] == 1
    assert found["faults"]["hemolysis"]["critical_released"] == 1
    assert found["faults"]["hemolysis"]["specimens_slipped"] == 1
    code, text = counted(spoiled, form="--markdown")
    assert code == 1
    assert "| hemolysis | 1 | 1 | 1 | 1 | 1 | 1 |" in text


def test_a_fault_held_by_others_alone_is_left_to_them(counted: Counted) -> None:
    _, found = counted(
        case("T1", "1", 8, {"potassium": "6.9"}, "0.5", ("hemolysis",),
             potassium={"kinds": ["hemolysis"], "harm": "beyond allowable"}),
    )  # fmt: skip
    assert (found["rules"]["hemolyzed"]["missed"], found["rules"]["hemolyzed"]["left"]) == (0, 1)


def test_held_but_right_is_an_earlier_result_and_held_but_wrong_is_none(counted: Counted) -> None:
    right = case("T1", "1", 8, {"potassium": "6.9"}, potassium={"kinds": ["critical"]})
    wrong = case("T1", "1", 8, {"potassium": "6.9"},
                 potassium={"kinds": ["mix-up"], "harm": "critical"})  # fmt: skip
    after = case("T2", "1", 30, {"potassium": "4.0"})
    assert counted(right, after)[1]["rules"]["changed"]["fired"] == 1
    assert counted(wrong, after)[1]["rules"]["changed"]["fired"] == 0


def test_a_wait_is_judged_at_its_end(counted: Counted) -> None:
    _, found = counted(case("T1", "1", 8, {"sodium": "140"}))
    assert found["results"] == {"judged": 1, "released": 1, "percent": 100.0}


def test_a_message_that_can_not_be_read_is_counted_apart(counted: Counted) -> None:
    broken = {"message": "no message", "truth": {}}
    _, found = counted(broken, case("T1", "1", 8, {"sodium": "140"}))
    assert (found["messages"], found["refused"]) == (2, 1)


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ('{"cases": 2}', "reads form 1"),
        ('{"cases": 1, "aims": {"critical": ["cosmic rays"]}}', "'cosmic rays' stands neither"),
        ('{"cases": 1, "connection": {"unit": {}}}', "connection.unit"),
        ('{"casse": 1}', "is not the header"),
        ('{"cases": 1}\n{"message": "x", "truth": {"specimens": {"T": {"kinds": ["x"]}}}}',
         "cases.jsonl:2: the kind 'x'"),
        ('{"cases": 1}\n{"message": "x"', "cases.jsonl:2: this is not a labeled message"),
    ],
)  # fmt: skip
def test_a_file_that_can_not_be_used(
    rules: Path, capsys: pytest.CaptureFixture[str], line: str, says: str
) -> None:
    file = rules.parent / "cases.jsonl"
    file.write_text(line + "\n")
    assert main(["rules", "yield", str(rules), "--cases", str(file)]) == 2
    assert says in capsys.readouterr().err


def test_no_such_file(rules: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rules", "yield", str(rules), "--cases", str(rules / "none")]) == 2
    assert "No such file" in capsys.readouterr().err
