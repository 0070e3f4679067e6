"""Orders for a measurement again: the library that knows the standard's tables takes them."""

from datetime import UTC, datetime

import pytest
from hl7apy.consts import VALIDATION_LEVEL
from hl7apy.parser import parse_message

from verifier.hl7.changes import Header
from verifier.hl7.message import Message
from verifier.hl7.orders import Wanted, build_order

NOW = datetime(2026, 11, 25, 9, 30, tzinfo=UTC)
HEADER = Header("VERIFIER", "LAB", "ANALYZER", "LAB", "V1", NOW)
RESULTS = (
    "MSH|^~\\&|ANALYZER|LAB|VERIFIER|LAB|20261125090000||ORU^R01^ORU_R01|M1|P|2.5.1\r"
    "PID|1||P1^^^LAB^MR||Test^Patient||19700101|F\r"
    "PV1|1|I|3 East\r"
    "ORC|RE|PL1|FI1\r"
    "OBR|1|PL1|FI1|BMP^Panel^L|||20261125080000\r"
    "OBX|1|NM|2951-2^Sodium^LN||140|mmol/L|||||F\r"
    "OBX|2|NM|2823-3^Potassium^LN|1|6.9|mmol/L|||||F\r"
    "SPM|1|S1&LAB||SER^Serum^HL70487|||||||P\r"
)


def order(wanted: Wanted, place: int, comment: str = "") -> str:
    message = Message.read(RESULTS.encode())
    made = build_order(
        message, wanted=wanted, place=place, number="A7", header=HEADER, comment=comment
    )
    return made.decode()


@pytest.mark.parametrize("wanted", ["rerun", "dilution", "new specimen"])
def test_the_library_finds_nothing_wrong(wanted: Wanted) -> None:
    """hl7apy, strict: structure of OML_O21, cardinality, and tables of HL7 v2.5.1."""
    text = order(wanted, 6, "beyond the interval")
    parsed = parse_message(text, validation_level=VALIDATION_LEVEL.STRICT)
    assert parsed.validate()
    asked = parsed.OML_O21_ORDER.OML_O21_OBSERVATION_REQUEST
    assert asked.OBR.OBR_4.to_er7() == "2823-3^Potassium^LN"
    assert asked.OBR.OBR_11.to_er7() == ("L" if wanted == "new specimen" else "A")
    assert asked.OBR.OBR_26.to_er7() == "2823-3&Potassium&LN^1^6.9"
    assert asked.OBR.OBR_29.to_er7() == "PL1^FI1"


def test_the_specimen_goes_with_it_when_it_is_measured_again() -> None:
    lines = order("rerun", 6).split("\r")
    assert "SPM|1|S1&LAB||SER^Serum^HL70487|||||||P" in lines
    assert "PID|1||P1^^^LAB^MR||Test^Patient||19700101|F" in lines
    assert "TCD|2823-3^Potassium^LN|||||||R^rerun^HL70389" in lines
    assert not [line for line in order("new specimen", 6).split("\r") if line[:3] == "SPM"]


def test_a_comment_is_text() -> None:
    assert "NTE|1|L|a\\F\\b \\T\\ c" in order("rerun", 6, "a|b & c")


@pytest.mark.parametrize("place", [2, 99])
def test_only_results_are_asked_for(place: int) -> None:
    with pytest.raises(ValueError, match="position of an OBX"):
        order("rerun", place)
