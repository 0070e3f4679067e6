"""What a message says, where the standard puts it, and doubts where it is not there."""

from datetime import UTC, date, datetime

import pytest
from fact_wires import ANALYZER, MSH, OBR, PID, SPM, obx, report, reports

from verifier.facts.catalogue import ConnectionMap
from verifier.facts.subjects import BirthDate, Moment

OUL = MSH.replace("ORU^R01^ORU_R01", "OUL^R22^OUL_R22")


def test_an_oru_in_full() -> None:
    (said,) = reports(MSH, PID, "PV1|1|I|ICU^3^2", OBR, obx(flags="H~A"), SPM)
    assert said.doubts == ()
    assert said.patient is not None
    assert said.patient.key == "HOSP^MR^4711"
    assert said.patient.name == "Doe, Jane"
    assert said.patient.birth == BirthDate(date(1980, 2, 29), date(1980, 2, 29))
    assert said.patient.sex == "F"
    assert said.patient.attributes == {"class": "I", "ward": "ICU"}
    assert said.specimen.key == "S1"
    assert said.specimen.type == "serum"
    assert said.specimen.role == "P"
    # SPM-17 outranks OBR-7 (HL7 v2.5.1 section 7.4.3.17).
    assert said.specimen.collected == Moment(
        datetime(2026, 3, 2, 7, 30, tzinfo=UTC), "second", "20260302083000+0100"
    )
    (observation,) = said.observations
    assert (observation.system, observation.code) == ("LN", "2823-3")
    assert (observation.kind, observation.text, observation.unit) == ("NM", "4.10", "mmol/L")
    assert (observation.status, observation.flags) == ("F", ("H", "A"))
    assert (observation.segment, observation.order) == (3 + 1, 3)
    assert observation.analyzer == "AN1"
    # OBX-19 has no offset: that of MSH-7 holds (HL7 v2.5.1 section 2.15.9.7).
    assert observation.analysed is not None
    assert observation.analysed.at == datetime(2026, 3, 2, 8, 45, tzinfo=UTC)


def test_the_zone_of_the_connection_where_msh_has_no_offset() -> None:
    header = MSH.replace("+0100", "")
    (said,) = reports(header, PID, "OBR|1||F1||||20260702080000", obx())
    assert said.specimen.collected is not None
    assert said.specimen.collected.at == datetime(2026, 7, 2, 6, 0, tzinfo=UTC)


def test_an_oul_puts_the_specimen_first() -> None:
    said = reports(
        OUL, PID,
        "SPM|1|S1||PLAS", "SAC|||S1", "OBR|1||F1", "ORC|RE|P9", obx(), "OBR|2||F2",
        obx("2951-2^Sodium^LN", "140"),
        "SPM|2|S2||UR", "OBR|3||F3", obx(value="30"),
    )  # fmt: skip
    assert [(r.specimen.key, r.specimen.type, len(r.observations)) for r in said] == [
        ("S1", "plasma", 2),
        ("S2", "urine", 1),
    ]
    assert not any(r.doubts for r in said)


@pytest.mark.parametrize(
    ("segments", "key"),
    [
        (["OBR|1|P1^LIS|F1^AN", obx(), "SPM|1|A1&LIS^B1&AN"], "A1@LIS"),
        (["OBR|1|P1^LIS|F1^AN", obx(), "SPM|1|^B1&AN"], "B1@AN"),
        (["OBR|1|P1^LIS|F1^AN", "SAC|||C1", obx()], "C1"),
        (["OBR|1|P1^LIS|F1^AN", obx()], "F1@AN"),
        (["OBR|1|P1^LIS|", obx()], "P1@LIS"),
        (["ORC|RE|O2|O3", "OBR|1||", obx()], "O3"),
        (["ORC|RE|O2", "OBR|1||", obx()], "O2"),
        (["OBR|1", obx()], ""),
    ],
)
def test_the_specimen_identifier(segments: list[str], key: str) -> None:
    (said,) = reports(MSH, PID, *segments)
    assert said.specimen.key == key


def test_orders_with_one_identifier_share_the_one_specimen_they_name() -> None:
    said = reports(MSH, PID, "OBR|1||F1", obx(), SPM, "OBR|2||F1", obx("2951-2^Sodium^LN", "140"))
    assert [(r.specimen.key, len(r.observations)) for r in said] == [("S1", 2)]


def test_nothing_is_shared_when_two_specimens_could_be_meant() -> None:
    said = reports(
        MSH, PID, "OBR|1", obx(), "SPM|1|S1", "OBR|2", obx(), "SPM|1|S2", "OBR|3", obx()
    )  # fmt: skip
    assert [r.specimen.key for r in said] == ["S1", "S2", ""]


def test_two_patients_in_one_message_keep_their_results() -> None:
    other = PID.replace("4711", "4712")
    said = reports(MSH, PID, "OBR|1||F1", obx(), other, "OBR|1||F2", obx(value="5.0"))
    assert [(r.patient and r.patient.number, r.specimen.key) for r in said] == [
        ("4711", "F1"),
        ("4712", "F2"),
    ]
    assert not any(r.doubts for r in said)


def test_one_specimen_for_two_patients_is_a_doubt_for_both() -> None:
    said = reports(MSH, PID, OBR, obx(), PID.replace("4711", "4712"), OBR, obx())
    assert len(said) == 2
    assert all("several patients" in r.doubts[0] for r in said)


def test_two_patients_before_one_order_is_a_doubt() -> None:
    (said,) = reports(MSH, PID, PID.replace("4711", "4712"), OBR, obx())
    assert "two patients" in said.doubts[0]


def test_an_obx_before_any_obr_is_a_doubt() -> None:
    (said,) = reports(MSH, PID, obx(), OBR, obx(), SPM)
    assert "before any OBR" in said.doubts[0]
    assert len(said.observations) == 1


def test_a_specimen_before_its_order_is_a_doubt() -> None:
    # ORU^R01 puts SPM after the results (HL7 v2.5.1 section 7.3.1); a sender that puts it before
    # must not have its results filed under the next specimen and released.
    second = SPM.replace("S1", "S2")
    for said in reports(MSH, PID, SPM, OBR, obx(), second, OBR, obx()):
        assert any("an SPM stands before any OBR" in doubt for doubt in said.doubts)


def test_what_puts_the_reading_in_doubt_holds_the_specimen() -> None:
    (said,) = reports(MSH, PID, OBR, obx(), "obx|broken line", SPM)
    assert any("does not begin with a segment name" in doubt for doubt in said.doubts)


def test_one_order_with_two_specimens_is_a_doubt() -> None:
    (said,) = reports(MSH, PID, OBR, obx(), SPM, SPM.replace("S1", "S2"))
    assert "several specimens" in said.doubts[0]


def test_an_order_without_patient() -> None:
    (said,) = reports(MSH, OBR, obx(), SPM)
    assert said.patient is None


@pytest.mark.parametrize(
    ("field", "key"),
    [
        ("1^^^A^PI~2^^^B^MR", "B^MR^2"),
        ("1^^^A~2^^^B", "A^^1"),
        ("^^^A^MR~2^^^B^XX", "B^XX^2"),
        ("^^^^U", ""),
        ("", ""),
        ('""', ""),
    ],
)
def test_the_patient_identifier(field: str, key: str) -> None:
    said = report(obx(), pid=f"PID|1||{field}||Doe")
    assert said.patient is not None
    assert said.patient.key == key


def test_equal_numbers_of_two_authorities_are_two_patients() -> None:
    one = report(obx(), pid="PID|1||1^^^A^MR").patient
    other = report(obx(), pid="PID|1||1^^^B^MR").patient
    assert one is not None
    assert other is not None
    assert one.key != other.key


@pytest.mark.parametrize(
    ("segments", "role"),
    [
        ([OBR, obx(), "SPM|1|S1||SER|||||||Q^Control"], "Q"),
        (["OBR|1||F1||||||||||||SER^^^^^^Q", obx()], "Q"),
        (["OBR|1||F1", "SAC|||S1|||SER^^^^^^B", obx()], "B"),
        ([OBR, obx(), "SPM|1|QC-0042||SER"], "Q"),
        ([OBR, obx(), "SPM|1|S1||SER"], "P"),
    ],
)
def test_the_role_of_the_specimen(segments: list[str], role: str) -> None:
    marks = ConnectionMap("analyzer", controls=("QC-",))
    (said,) = reports(MSH, PID, *segments, connection=marks)
    assert said.specimen.role == role


@pytest.mark.parametrize(
    ("kind", "sent", "text", "repeats"),
    [
        ("SN", "<^5", "<5", 1),
        ("SN", "^1^:^160", "1:160", 1),
        ("SN", "^2^-^4", "2-4", 1),
        ("SN", "=^5", "=5", 1),
        ("CE", "POS^Positive^L", "POS^Positive", 1),
        ("CE", "POS", "POS", 1),
        ("NM", "5^1", "5^1", 1),
        ("NM", "5~6", "5", 2),
        ("TX", "one~two", "one\ntwo", 1),
        ("ST", "a\\T\\b\\S\\c", "a&b^c", 1),
        ("ST", "<5", "<5", 1),
        ("NM", "", None, 1),
    ],
)
def test_the_value_as_text(kind: str, sent: str, text: str | None, repeats: int) -> None:
    (observation,) = report(obx(value=sent, kind=kind)).observations
    assert (observation.text, observation.repeats, observation.null) == (text, repeats, False)


def test_the_null_is_not_the_empty_value() -> None:
    (observation,) = report(obx(value='""', flags='""')).observations
    assert observation.null
    assert observation.text is None
    assert observation.flags == ()


def test_encapsulated_data_is_kept_as_its_hash() -> None:
    one, other = (
        report(obx(kind="ED", value=f"^IM^PNG^Base64^{content}")).observations[0].text
        for content in ("AAAA", "BBBB")
    )
    assert one
    assert len(one) < 120
    assert one != other


def test_other_delimiters() -> None:
    segments = (MSH, PID, OBR, obx(flags="H~A"), SPM)
    other = [s.replace("|", "#").replace("^", "*").replace("~", "$") for s in segments]
    assert reports(*other) == reports(*segments)


def test_supplemental_observations_are_no_results() -> None:
    # IHE PaLM TF-2b, analyzer workflow: the alternate code marks raw and other supplemental data.
    raw = obx("RAW1^Signal^99L^S_RAW^Raw Supplemental^IHELAW", "123")
    (observation,) = report(raw, obx()).observations
    assert observation.code == "2823-3"


def test_indices_of_the_container() -> None:
    # HL7 v2.5.1 section 13.4.3, SAC-32 to SAC-37: hemolysis, lipemia, icterus with their units.
    sac = "SAC|||S1" + "|" * 29 + "0.7|g/L|12||0.03|mmol/L"
    indexed = ConnectionMap("analyzer", indices={"hemolysis": "hemolysis", "lipemia": "lipemia"})
    (said,) = reports(MSH, PID, OBR, sac, obx(), SPM, connection=indexed)
    found = {o.code: (o.text, o.unit, o.interference) for o in said.observations}
    assert found["hemolysis"] == ("0.7", "g/L", True)
    assert found["lipemia"] == ("12", "{index}", True)
    assert "icterus" not in found
    (plain,) = reports(MSH, PID, OBR, sac, obx(), SPM, connection=ANALYZER)
    assert len(plain.observations) == 1


@pytest.mark.parametrize("text", ["20260231", "2026030208000", "yesterday", "202603020800+1500"])
def test_what_is_no_time_is_no_collection_time(text: str) -> None:
    (said,) = reports(MSH, PID, f"OBR|1||F1||||{text}", obx())
    assert said.specimen.collected is None


CONTAINERS = MSH.replace("ORU^R01^ORU_R01", "OUL^R21^OUL_R21")


def test_a_container_belongs_to_its_order_alone() -> None:
    # OUL^R21: [SAC [SID]] [ORC] OBR {[OBX]} per order (HL7 v2.5.1 section 7.3.2).
    said = reports(
        CONTAINERS, PID,
        "SAC|||C1|||SER", "ORC|RE|P1", "OBR|1|P1|F1", obx(),
        "ORC|RE|P2", "OBR|2|P2|F2", obx("2951-2^Sodium^LN", "140"),
        "SAC|||C3|||UR", "OBR|3|P3|F3", obx(value="30"),
    )  # fmt: skip
    assert [(r.specimen.key, r.specimen.type, len(r.observations)) for r in said] == [
        ("C1", "serum", 1), ("F2", "", 1), ("C3", "urine", 1),
    ]  # fmt: skip
    assert not any(r.doubts for r in said)
    assert {r.patient.key for r in said if r.patient} == {"HOSP^MR^4711"}


def test_the_lot_of_a_control_stands_behind_its_container() -> None:
    first, second = reports(
        CONTAINERS,
        "SAC|||QC-1|||^^^^^^Q", "SID||LOT7", "OBR|1||F1", obx(),
        "SAC|||QC-2|||^^^^^^Q", "OBR|2||F2", obx(),
    )  # fmt: skip
    assert first.specimen.role == second.specimen.role == "Q"
    assert first.specimen.attributes == {"substance lots": "LOT7"}
    assert second.specimen.attributes == {}


@pytest.mark.parametrize(
    ("segments", "doubt"),
    [
        (["SAC|||C1", "SAC|||C2", "OBR|1||F1", obx()], "one order names several containers"),
        (["OBR|1||F1", "SAC|||C1", obx()], "stands between an order and its results"),
        (["SAC|||C1", "OBR|1||F1", obx(), "SAC|||C2"], "followed by no order"),
        (["SAC|||C1", "OBR|1||F1", obx(), "SPM|1|S1"], "has no place for one"),
        (["SAC|||C1", "SPM|1|S1", "OBR|1||F1", obx()], "has no place for one"),
        (["OBR|1||F1", obx(), "SAC|||C1", obx(), "OBR|2||F2"], "an OBX stands before any OBR"),
    ],
)
def test_a_container_out_of_place_is_a_doubt(segments: list[str], doubt: str) -> None:
    said = reports(CONTAINERS, PID, *segments)
    assert said
    assert all(any(doubt in text for text in one.doubts) for one in said)


@pytest.mark.parametrize("event", ["R30", "R31", "R32"])
def test_a_point_of_care_message_is_read_like_any_other(event: str) -> None:
    # PID [PD1] [PV1] ORC OBR {OBX} (HL7 v2.5.1 sections 7.3.3 to 7.3.5).
    header = MSH.replace("ORU^R01^ORU_R01", f"ORU^{event}^ORU_R30")
    (said,) = reports(header, PID, "PV1|1|I|ICU", "ORC|NW", "OBR|1||B7", obx())
    assert (said.specimen.key, len(said.observations), said.doubts) == ("B7", 1, ())
