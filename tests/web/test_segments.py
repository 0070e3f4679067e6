"""A message taken apart: which segments speak of a specimen, fields by name, notes of results."""

from datetime import UTC, datetime

from verifier.facts.catalogue import ConnectionMap
from verifier.store.rows import Inbound
from verifier.web.segments import Said, said_by

TWO = [
    r"MSH|^~\&|AN|LAB|V|LAB|20260302080000+0000||ORU^R01^ORU_R01|M1|P|2.5.1",
    "PID|1||1^^^LAB^MR||Example^Anna",
    "ORC|RE|S-1",
    "OBR|1|S-1|S-1|BMP",
    "NTE|1||of the first order",
    r"OBX|1|NM|K^Potassium^L||6.9|mmol/L|3.5-5.1|H~A|||F|||20260302075000+0000||||AN-1",
    r"NTE|1|L|clot \T\ foam~seen twice",
    "SPM|1|S-1||SER",
    "ORC|RE|S-2",
    "OBR|2|S-2|S-2|BMP",
    'OBX|1|NM|K^Potassium^L||""|mmol/L|||||F',
    "SPM|2|S-2||SER",
    "PID|2||2^^^LAB^MR||Other^Ben",
    "ORC|RE|S-3",
    "OBR|3|S-3|S-3|BMP",
    "OBX|1|NM|K^Potassium^L||4.0|mmol/L|||||F",
]


def said(lines: list[str], specimen: str = "") -> Said:
    raw = ("\r".join(lines) + "\r").encode()
    at = datetime(2026, 3, 2, tzinfo=UTC)
    inbound = Inbound(7, at, "line", "AN", "LAB", "M1", b"", "ORU^R01", raw, "accepted")
    return said_by(inbound, ConnectionMap("line"), specimen)


def ours(specimen: str) -> list[int]:
    return [one.number for one in said(TWO, specimen).segments if one.ours]


def test_only_what_speaks_of_the_specimen_is_marked() -> None:
    assert ours("S-1") == [1, 2, 3, 4, 5, 6, 7, 8]
    assert ours("S-2") == [1, 2, 9, 10, 11, 12]
    assert ours("S-3") == [1, 13, 14, 15, 16], "and nothing of another patient"
    assert ours("S-4") == [1]
    assert ours("") == list(range(1, 17))
    assert said(TWO, "S-3").others == 11


def test_specimens_that_stand_before_their_orders_are_told_apart() -> None:
    """OUL^R22 (HL7 v2.5.1 section 7.3.6) puts the specimen first."""
    lines = [
        r"MSH|^~\&|AN|LAB|V|LAB|20260302080000+0000||OUL^R22^OUL_R22|M1|P|2.5.1",
        "PID|1||1^^^LAB^MR", "SPM|1|S-1||SER", "OBR|1|||K", "OBX|1|NM|K^K^L||4.1|mmol/L|||||F",
        "SPM|2|S-2||SER", "OBR|2|||K", "OBX|1|NM|K^K^L||4.2|mmol/L|||||F",
    ]  # fmt: skip
    marked = [one.number for one in said(lines, "S-2").segments if one.ours]
    assert marked == [1, 2, 6, 7, 8]


def test_fields_have_names_and_readable_parts() -> None:
    obx = said(TWO).segments[5]
    told = {one.place: (one.name, one.text) for one in obx.fields}
    assert told["OBX-3"] == ("Observation identifier", "K · Potassium · L")
    assert told["OBX-8"][1] == "H | A"
    assert "OBX-4" not in told, "what was not sent is not shown"
    header = {one.place for one in said(TWO).segments[0].fields}
    assert "MSH-9" in header
    assert not header & {"MSH-1", "MSH-2"}
    deleted = {one.place: one.text for one in said(TWO).segments[10].fields}
    assert deleted["OBX-5"].startswith("“”")


def test_notes_belong_to_the_result_they_follow() -> None:
    assert said(TWO).notes == {5: ("clot & foam\nseen twice",)}


def test_a_message_that_is_gone_or_unreadable_says_so() -> None:
    assert said(["EVN|1"]).trouble
    at = datetime(2026, 3, 2, tzinfo=UTC)
    emptied = Inbound(7, at, "line", "", "", "M1", b"", "", b"", "accepted")
    assert said_by(emptied, None).trouble == "The message was removed after its time."
