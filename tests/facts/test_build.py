"""Mapping, conversion and every fault a result can have."""

from collections.abc import Mapping, Sequence
from datetime import timedelta
from decimal import Decimal

import msgspec
import pytest
from fact_wires import ANALYZER, MSH, NOW, OBR, PID, catalogue_of, merged, obx, report, reports

from verifier.facts.build import build_case
from verifier.facts.case import Case, CaseRecord, Control, Earlier, Suspension
from verifier.facts.catalogue import ConnectionMap, TestDefinition
from verifier.facts.merge import merge
from verifier.facts.report import SpecimenReport
from verifier.facts.values import Absent, Between, Number, Unreadable, Words

POTASSIUM = TestDefinition(
    "potassium", "Potassium", (("LN", "2823-3"), ("L", "K")), ("serum", "plasma"), "mmol/L", 1,
    Decimal("39.098"), 1,
)  # fmt: skip
GLUCOSE = TestDefinition(
    "glucose", "Glucose", (("LN", "14749-6"), ("LN", "2345-7")), (), "mmol/L", 1,
    Decimal("180.156"),
)  # fmt: skip
ALBUMIN = TestDefinition("albumin", "Albumin", (("LN", "1751-7"),), (), "g/L", 0)
HEMOLYSIS = TestDefinition("hemolysis", "Hemolysis", (("L", "H"),), (), "g/L", kind="index")
COLOR = TestDefinition("color", "Color", (("LN", "5778-6"),), kind="words")
RATIO = TestDefinition("ratio", "Ratio", (("LN", "1759-0"),))
CATALOGUE = catalogue_of([POTASSIUM, GLUCOSE, ALBUMIN, HEMOLYSIS, COLOR, RATIO])


def built(
    record: CaseRecord,
    connection: ConnectionMap = ANALYZER,
    *,
    earlier: Mapping[str, tuple[Earlier, ...]] | None = None,
    quality: Mapping[str, Control] | None = None,
    suspensions: Sequence[Suspension] = (),
) -> Case:
    return build_case(
        record,
        catalogue=CATALOGUE,
        maps={connection.name: connection},
        earlier=earlier or {},
        quality=quality or {},
        suspensions=suspensions,
        now=NOW,
    )


def only(line: str, connection: ConnectionMap = ANALYZER):  # type: ignore[no-untyped-def]
    (result,) = built(merged([line]), connection).results
    return result


def test_a_result_that_fits() -> None:
    result = only(obx(flags="H"))
    assert (result.test, result.title, result.unit) == ("potassium", "Potassium", "mmol/L")
    assert result.value == Number(Decimal("4.10"))
    assert (result.sent_text, result.sent_unit, result.status) == ("4.10", "mmol/L", "F")
    assert result.faults == result.fault_names == ()


@pytest.mark.parametrize(
    ("code", "value", "unit", "expected"),
    [
        ("2345-7^Glucose^LN", "180.156", "mg/dL", "10"),
        ("2345-7^Glucose^LN", "5.5", "MMOL/L", "5.5"),
        ("1751-7^Albumin^LN", "4.2", "g/dL", "42"),
        ("2823-3^Potassium^LN", "4.1", "mEq/L", "4.1"),
        ("K^Potassium^L", "4.1", "mmol/l", "4.1"),
        ("K^Potassium^99ABC", "4.1", "mmol/L", "4.1"),
        ("2823-3^Potassium^LOINC", "4.1", "mmol/L", "4.1"),
        ("XX^Potassium^99A^2823-3^Potassium^LN", "4.1", "mmol/L", "4.1"),
    ],
)
def test_conversion_and_codes(code: str, value: str, unit: str, expected: str) -> None:
    result = only(obx(code, value, unit))
    assert result.value == Number(Decimal(expected))
    assert result.faults == ()


def test_a_censored_value_converts_as_a_range() -> None:
    result = only(obx("2345-7^Glucose^LN", "<18.0156", "mg/dL", kind="ST"))
    assert result.value == Between(None, Decimal(1), False, False)
    assert result.faults == ()


@pytest.mark.parametrize(
    ("line", "name", "part"),
    [
        (obx("9999-9^What^LN"), "unknown-test", "9999-9 (LN)"),
        (obx("2823-3^Potassium^L"), "unknown-test", "2823-3 (L)"),
        (obx("K^K^LN"), "unknown-test", "K (LN)"),
        (obx("2823-3^K^LN^1751-7^Alb^LN"), "unknown-test", "albumin and potassium"),
        (obx(unit=""), "unit", "no unit was sent"),
        (obx(unit="furlong"), "unit", "not known"),
        (obx(unit="g/L^^UCUM", code="H^H^L", value="0.3"), "", ""),
        (obx(unit="U/L"), "unit", "can not be converted"),
        (obx("1751-7^Albumin^LN", "600", "umol/L"), "unit", "can not be converted"),
        (obx(value="5,1"), "unreadable-value", "5,1"),
        (obx(value="<5"), "unreadable-value", "comparator"),
        (obx(value="hemolysed", kind="ST"), "unreadable-value", "not a number"),
        (obx(value=""), "no-value", "no value"),
        (obx(value='""'), "no-value", "delete"),
        (obx(value="5~6"), "several-values", "several values"),
        (obx(status="P"), "status-not-final", "preliminary"),
        (obx(status=""), "status-not-final", "no result status"),
        (obx(status="Q9"), "status-not-final", "Q9"),
        (obx(flags="HH"), "analyzer-flag", "HH is not mapped"),
        (obx(flags="N~LL"), "analyzer-flag", "LL is not mapped"),
        (obx(flags="A"), "analyzer-flag", "A is not mapped"),
        (obx(status="C"), "status-change", "never received"),
    ],
)
def test_faults(line: str, name: str, part: str) -> None:
    result = only(line)
    assert result.fault_names == ((name,) if name else ())
    assert part in "".join(result.faults)


def test_a_value_that_does_not_fit_can_not_be_compared() -> None:
    for line in (obx(unit=""), obx(unit="U/L"), obx(value="five", kind="ST")):
        assert isinstance(only(line).value, Unreadable)
    assert only(obx(value="")).value == Absent("empty")


def test_the_connection_says_what_its_sender_means() -> None:
    site = ConnectionMap(
        "analyzer",
        tests={"GLU": "glucose"},
        units={"MGD": "mg/dL", "mmol/L": "umol/L"},
        flags={"HH": "ignore", "H": "hold", "~x": "ignore"},
        comparator_in_numeric=True,
    )
    assert only(obx("GLU^Glucose^99X", "180.156", "MGD"), site).value == Number(Decimal(10))
    assert only(obx(value="4100"), site).value == Number(Decimal("4.100"))
    assert only(obx(flags="HH"), site).faults == ()
    assert only(obx(flags="H"), site).fault_names == ("analyzer-flag",)
    assert only(obx(value="<5000"), site).value == Between(None, Decimal(5), False, False)


def test_a_mapping_to_a_test_that_does_not_exist() -> None:
    site = ConnectionMap("analyzer", tests={"2823-3": "kalium"})
    assert only(obx(), site).fault_names == ("unknown-test",)


def test_tests_of_words_and_of_plain_numbers() -> None:
    assert only(obx("5778-6^Color^LN", "yellow", "", kind="ST")).value == Words("yellow")
    assert only(obx("5778-6^Color^LN", "Y^yellow", "", kind="CE")).value == Words("yellow", "Y")
    assert only(obx("5778-6^Color^LN", "3", "", kind="ST")).value == Words("3")
    plain = only(obx("1759-0^Ratio^LN", "1.4", ""))
    assert (plain.value, plain.faults) == (Number(Decimal("1.4")), ())


def test_a_type_that_was_not_sent_holds_unless_the_connection_says_what_it_means() -> None:
    record = merged(report(obx(), spm="SPM|1|S1"))
    (result,) = built(record).results
    assert result.fault_names == ("specimen-type",)
    assert "was not sent" in result.faults[0]
    only_serum = msgspec.structs.replace(ANALYZER, specimens={"": "serum"})
    told = merge(None, reports_of(only_serum), connection="analyzer", message=1, arrived=NOW)
    assert built(told, only_serum).results[0].fault_names == ()


def reports_of(connection: ConnectionMap) -> SpecimenReport:
    (found,) = reports(MSH, PID, OBR, obx(), "SPM|1|S1", connection=connection)
    return found


def test_serum_and_urine_are_different_tests() -> None:
    record = merged(report(obx(), spm="SPM|1|S1||UR"))
    (result,) = built(record).results
    assert result.fault_names == ("specimen-type",)
    assert "serum or plasma, not urine" in result.faults[0]


def test_several_values_of_one_test_hold_all_of_them() -> None:
    record = merged([obx(), obx(run="2", value="4.2"), obx("2951-2^Na^LN", "140")])
    potassium = [r for r in built(record).results if r.test == "potassium"]
    assert len(potassium) == 2
    assert all(r.fault_names == ("several-values",) for r in potassium)


def test_two_codes_of_one_test_are_several_values() -> None:
    record = merged([obx("2345-7^Glucose^LN", "99", "mg/dL"), obx("14749-6^Glucose^LN", "5.5")])
    assert all(r.fault_names == ("several-values",) for r in built(record).results)


def test_only_standing_results_are_facts() -> None:
    record = merged([obx(value="4.0")], [obx(value="5.0", status="C")])
    (result,) = built(record).results
    assert (result.entry, result.value) == (1, Number(Decimal("5.0")))
    gone = merged([obx()], [obx(status="W")])
    assert built(gone).results == ()
    rejected = msgspec.structs.replace(
        record,
        entries=tuple(msgspec.structs.replace(e, state="rejected") for e in record.entries),
    )
    assert built(rejected).results == ()


def test_a_correction_of_what_has_left_says_so() -> None:
    record = merged([obx(value="4.0")])
    left = msgspec.structs.replace(
        record, entries=(msgspec.structs.replace(record.entries[0], state="released"),)
    )
    (result,) = built(merged([obx(value="5.0", status="C")], start=left)).results
    assert result.fault_names == ("correction",)
    assert "4.0 mmol/L has already left" in result.faults[0]
    assert result.corrects


def test_earlier_results_of_the_same_specimen_type_in_the_unit_of_today() -> None:
    def before(value: str, unit: str, kind: str) -> Earlier:
        return Earlier(Number(Decimal(value)), unit, NOW - timedelta(days=1), "S0", kind)

    history = {
        "glucose": (
            before("5.5", "mmol/L", "serum"),
            before("180.156", "mg/dL", "serum"),
            before("30", "mmol/L", "urine"),
            before("5.0", "U/L", "serum"),
            before("5.1", "mmol/L", ""),
        ),
        "abandoned": (before("1", "mmol/L", "serum"),),
    }
    case = built(merged([obx()]), earlier=history)
    assert [e.value for e in case.earlier["glucose"]] == [
        Number(Decimal("5.5")),
        Number(Decimal(10)),
        Number(Decimal("5.1")),
    ]
    assert all(e.unit == "mmol/L" for e in case.earlier["glucose"])
    assert "abandoned" not in case.earlier


def test_suspensions_by_scope() -> None:
    case = built(
        merged([obx()]),
        suspensions=[
            Suspension("all", "", "everything"),
            Suspension("test", "potassium", "drift"),
            Suspension("connection", "analyzer", "service"),
        ],
    )
    assert case.suspended == ("everything",)
    assert case.suspended_tests == {"potassium": "drift"}
    assert case.suspended_connections == {"analyzer": "service"}


def test_a_connection_that_is_gone_is_read_by_the_catalogue_alone() -> None:
    record = merged([obx()])
    case = build_case(
        record, catalogue=CATALOGUE, maps={}, earlier={}, quality={}, suspensions=(), now=NOW
    )
    assert case.results[0].test == "potassium"


def test_a_changed_mapping_is_used_at_once() -> None:
    record = merged([obx("GLU^Glucose^99X", "5.5")])
    assert built(record).results[0].fault_names == ("unknown-test",)
    site = ConnectionMap("analyzer", tests={"GLU": "glucose"})
    assert built(record, site).results[0].test == "glucose"
    assert built(record).results[0].fault_names == ("unknown-test",)


def test_the_record_survives_storage() -> None:
    record = merged([obx()], [obx(value="5.0", status="C")])
    stored = msgspec.json.encode(record)
    assert msgspec.json.decode(stored, type=CaseRecord) == record


def test_without_a_collection_time_nothing_leaves_unless_the_connection_allows_it() -> None:
    (said,) = reports(MSH, PID, "OBR|1|P1|F1|PANEL", obx(), "SPM|1|S1||SER")
    record = merge(None, said, connection="analyzer", message=1, arrived=NOW)
    assert built(record).results[0].fault_names == ("times",)
    lenient = msgspec.structs.replace(ANALYZER, collection_time="may be missing")
    assert built(record, lenient).results[0].fault_names == ()


def test_times_that_can_not_be() -> None:
    def at(time: str) -> Case:
        spm = f"SPM|1|S1||SER|||||||P||||||20260302{time}+0100"
        return built(merged(report(obx(), spm=spm)))

    # Analyzed 09:45, judged 10:00, both +0100; clocks may differ by ten minutes.
    assert at("0955").results[0].faults == ()
    assert at("0956").results[0].fault_names == ("times",)
    assert at("1010").doubts == ()
    assert "in the future" in at("1011").doubts[0]
