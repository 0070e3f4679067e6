"""Invented messages for the tests of this folder."""

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime

from verifier.facts.case import CaseRecord
from verifier.facts.catalogue import Catalogue, ConnectionMap, TestDefinition
from verifier.facts.extract import read_specimens
from verifier.facts.merge import merge
from verifier.facts.report import SpecimenReport
from verifier.hl7.message import Message

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
ANALYZER = ConnectionMap("analyzer", zone="Europe/Oslo")
MSH = "MSH|^~\\&|AN1|LAB|V|LAB|20260302095500+0100||ORU^R01^ORU_R01|7|P|2.5.1"
PID = "PID|1||4711^^^HOSP^MR||Doe^Jane||19800229|F"
OBR = "OBR|1|P1|F1|PANEL|||20260302080000+0100"
SPM = "SPM|1|S1||SER|||||||P||||||20260302083000+0100"


def obx(
    code: str = "2823-3^Potassium^LN",
    value: str = "4.10",
    unit: str = "mmol/L",
    *,
    status: str = "F",
    kind: str = "NM",
    flags: str = "",
    run: str = "",
    analyzer: str = "AN1",
) -> str:
    return (
        f"OBX|1|{kind}|{code}|{run}|{value}|{unit}|3.5-5.1|{flags}|||{status}|||||||"
        f"{analyzer}|20260302094500"
    )


def message(*segments: str) -> Message:
    return Message.read("\r".join(segments).encode("utf-8"), charset="UNICODE UTF-8")


def reports(*segments: str, connection: ConnectionMap = ANALYZER) -> tuple[SpecimenReport, ...]:
    return read_specimens(message(*segments), connection)


def report(*results: str, spm: str = SPM, pid: str = PID) -> SpecimenReport:
    (found,) = reports(*(part for part in (MSH, pid, OBR, *results, spm) if part))
    return found


def merged(*batches: Sequence[str] | SpecimenReport, start: CaseRecord | None = None) -> CaseRecord:
    record = start
    for number, batch in enumerate(batches, 1):
        said = batch if isinstance(batch, SpecimenReport) else report(*batch)
        record = merge(record, said, connection="analyzer", message=number, arrived=NOW)
    assert record is not None
    return record


def catalogue_of(tests: Iterable[TestDefinition]) -> Catalogue:
    by_name = {test.name: test for test in tests}
    return Catalogue(by_name, {code: t.name for t in by_name.values() for code in t.codes})
