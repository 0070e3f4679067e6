"""The shipped rule set under the laws every rule set has to keep."""

from datetime import UTC, datetime
from pathlib import Path

import msgspec
import pytest
from hypothesis import given
from hypothesis import strategies as st

from verifier.decide.decide import decide
from verifier.facts.build import build_case
from verifier.facts.case import CaseRecord
from verifier.facts.catalogue import ConnectionMap
from verifier.facts.extract import read_specimens
from verifier.facts.merge import merge
from verifier.facts.verdicts import Decision
from verifier.hl7.message import Message
from verifier.rulefiles import load_program

FOLDER = Path(__file__).parents[2] / "rules"
PROGRAM = load_program(FOLDER)
NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
HEAD = [
    "MSH|^~\\&|AN1|LAB|V|LAB|20260302085500+0000||ORU^R01^ORU_R01|7|P|2.5.1",
    "PID|1||4711^^^HOSP^MR||Doe^Jane||19800229|F",
    "OBR|1|P1|F1|PANEL|||20260302080000+0000",
]
SPM = "SPM|1|S1||SER|||||||P||||||20260302080000+0000"
CODES = {
    "2951-2": ("140", "mmol/L"),
    "2823-3": ("4.1", "mmol/L"),
    "2075-0": ("103", "mmol/L"),
    "1963-8": ("25", "mmol/L"),
    "2160-0": ("0.9", "mg/dL"),
    "2345-7": ("95", "mg/dL"),
}


def obx(code: str, value: str, unit: str) -> str:
    return f"OBX|1|NM|{code}^^LN||{value}|{unit}|||||F"


# Hoelzel, Clin Chem 2004;50:166: NGSP (%) = 0.09148 IFCC (mmol/mol) + 2.152, the master equation.
def ngsp(ifcc: float) -> float:
    return 0.09148 * ifcc + 2.152


def decided(*batches: list[str]) -> Decision:
    record: CaseRecord | None = None
    for number, lines in enumerate(batches):
        message = Message.read("\r".join([*HEAD, *lines, SPM]).encode())
        (said,) = read_specimens(message, ConnectionMap("a"))
        record = merge(record, said, connection="a", message=number, arrived=NOW)
    assert record is not None
    case = build_case(
        record,
        catalogue=PROGRAM.catalogue,
        maps={},
        earlier={},
        quality=dict.fromkeys(PROGRAM.catalogue.tests, "in control"),
        suspensions=(),
        now=NOW,
    )
    return decide(case, PROGRAM)


PANEL = [obx(code, *said) for code, said in CODES.items()]
values = st.sampled_from(["2.0", "4.1", "6.1", "9.9", "140", "95", "<2", ""])


@given(st.permutations(PANEL))
def test_the_order_of_messages_does_not_matter(order: list[str]) -> None:
    def told(decision: Decision) -> set[tuple[str, str, str, tuple[str, ...]]]:
        return {
            (r.code, r.outcome, r.value, tuple(reason.text for reason in r.reasons))
            for r in (*decision.results, *decision.derived)
        }

    assert told(decided(*([line] for line in order))) == told(decided(PANEL))


@given(st.lists(values, min_size=len(CODES), max_size=len(CODES)))
def test_the_same_case_gives_the_same_bytes(chosen: list[str]) -> None:
    lines = [obx(c, v, CODES[c][1]) for c, v in zip(CODES, chosen, strict=True)]
    one, other = decided(lines), decided(lines)
    assert msgspec.json.encode(one) == msgspec.json.encode(other)


def test_an_unremarkable_panel_leaves_and_a_critical_value_does_not() -> None:
    fine = {r.code: r.outcome for r in decided(PANEL).results}
    assert fine["2951-2"] == "release"
    high = [line.replace("|4.1|", "|6.9|") for line in PANEL]
    held = {r.code: r for r in decided(high).results}
    assert held["2823-3"].outcome == "hold"
    assert held["2823-3"].flag == "HH"
    assert held["2951-2"].outcome == "release"


@pytest.mark.parametrize(
    ("code", "value", "unit"), [("4548-4", "48", "mmol/mol"), ("59261-8", "6.5", "%")]
)
def test_hemoglobin_a1c_on_the_other_scale_is_held(code: str, value: str, unit: str) -> None:
    """48 mmol/mol are 6.5 %, diabetes; read as parts of a hundred they would be a normal 4.8 %."""
    assert ngsp(48) == pytest.approx(6.5, abs=0.05)
    assert ngsp(48) - 48 / 10 > 1.5
    (result,) = decided([obx(code, value, unit)]).results
    assert result.outcome == "hold"
    assert "built-in:unit" in {reason.rule for reason in result.reasons}


@pytest.mark.parametrize(
    ("code", "value", "unit"), [("4548-4", "6.5", "%"), ("59261-8", "48", "mmol/mol")]
)
def test_hemoglobin_a1c_on_its_own_scale_leaves(code: str, value: str, unit: str) -> None:
    (result,) = decided([obx(code, value, unit)]).results
    assert result.outcome == "release"
