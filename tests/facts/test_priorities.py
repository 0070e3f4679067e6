"""How urgent an order is: HL7 v2.5.1 table 0485, from the fields that carry it."""

from datetime import UTC, datetime

import pytest

from verifier.facts.catalogue import ConnectionMap
from verifier.facts.extract import read_specimens
from verifier.facts.merge import merge
from verifier.facts.priorities import PRIORITIES, most_urgent, priority_of
from verifier.facts.report import SpecimenReport
from verifier.hl7.message import Message

HEAD = b"MSH|^~\\&|A|L|V|L|20260302070000||ORU^R01^ORU_R01|1|P|2.5.1\rPID|1||7^^^LAB^MR\r"
OBX = b"OBX|1|NM|K^Potassium^L||4.1|mmol/L|||||F\r"


def specimen(orders: bytes) -> SpecimenReport:
    (report,) = read_specimens(Message.read(HEAD + orders), ConnectionMap("line"))
    return report


@pytest.mark.parametrize(
    ("code", "word"),
    [  # HL7 v2.5.1 table 0485, extended priority codes
        ("S", "stat"), ("A", "ASAP"), ("R", "routine"), ("P", "preop"), ("C", "callback"),
        ("T", "timing critical"), ("TS30", "timing critical"), ("TH2", "timing critical"),
        ("PRN", "routine"), ("", ""), ("TX5", ""), ("THE", ""), ("urgently", ""),
    ],
)  # fmt: skip
def test_the_codes_of_the_standard(code: str, word: str) -> None:
    assert priority_of(code) == word


def test_every_word_has_its_place_and_the_most_urgent_wins() -> None:
    assert most_urgent(reversed(PRIORITIES)) == "stat"
    assert most_urgent(["routine", "ASAP", ""]) == "ASAP"
    assert most_urgent([]) == ""


@pytest.mark.parametrize(
    "orders",
    [
        b"OBR|1|S1|S1|BMP\rTQ1|1||||||||S\r" + OBX,  # TQ1-9
        b"OBR|1|S1|S1|BMP" + b"|" * 23 + b"^^^^^S\r" + OBX,  # OBR-27.6, before 2.5
        b"ORC|RE|S1|||||^^^^^S\rOBR|1|S1|S1|BMP\r" + OBX,  # ORC-7.6
        b"OBR|1|S1|S1|BMP|S\r" + OBX,  # OBR-5, before 2.3
        b"OBR|1|S1|S1|BMP|R\r" + OBX + b"OBR|2|S1|S1|NA|S\r" + OBX.replace(b"K^", b"NA^"),
    ],
)
def test_the_most_urgent_of_what_the_orders_say(orders: bytes) -> None:
    assert specimen(orders).specimen.attributes == {"priority": "stat"}


def test_nothing_said_is_nothing_known() -> None:
    assert specimen(b"OBR|1|S1|S1|BMP\r" + OBX).specimen.attributes == {}


@pytest.mark.parametrize("codes", [(b"R", b"S"), (b"S", b"R"), (b"S", b"")])
def test_a_specimen_stays_as_urgent_as_it_ever_was(codes: tuple[bytes, bytes]) -> None:
    record = None
    for number, code in enumerate(codes):
        report = specimen(b"OBR|1|S1|S1|BMP|" + code + b"\r" + OBX)
        arrived = datetime(2026, 3, 2, 7, number, tzinfo=UTC)
        record = merge(record, report, connection="line", message=number, arrived=arrived)
    assert record is not None
    assert record.specimen.attributes == {"priority": "stat"}
    assert record.doubts == ()
