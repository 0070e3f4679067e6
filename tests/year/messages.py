"""Writes a specimen as an HL7 v2.5.1 ORU^R01 message; shares no code with the reader."""

from datetime import datetime

from .analytes import ANALYTES, Analyte
from .schedule import Draw
from .specimens import Specimen

_CLASSES = {
    "emergency": "E", "inpatient": "I", "dialysis": "dialysis", "pregnant": "B", "newborn": "I",
}  # fmt: skip
_WARDS = {
    "emergency": "EMERGENCY", "dialysis": "DIALYSIS", "pregnant": "OBSTETRICS",
    "newborn": "NEWBORN", "child": "PEDIATRICS", "inpatient": "WARD", "outpatient": "CLINIC",
}  # fmt: skip


def sent(item: Analyte, value: float, conventional: bool) -> tuple[str, str, str]:
    """Return code, number and unit as an analyzer sends a value; censored outside its range."""
    low, high = item.measurable
    if item.mass and conventional:
        factor, decimals, code, unit = (
            item.mass.factor, item.mass.decimals, item.mass.code, item.mass.unit,
        )  # fmt: skip
    else:
        factor, decimals, code, unit = 1.0, item.decimals, item.code, item.unit
    if value < low:
        return code, f"<{low / factor:.{decimals}f}", unit
    if value > high:
        return code, f">{high / factor:.{decimals}f}", unit
    return code, f"{value / factor:.{decimals}f}", unit


def shown(specimen: Specimen, name: str) -> tuple[str, str, str]:
    """Return code, number and unit of a result, with the unit slip it may have."""
    item = ANALYTES[name]
    if slip := specimen.slips.get(name):
        return item.code, f"{specimen.found[name] * slip.factor:.{slip.decimals}f}", slip.unit
    return sent(item, specimen.found[name], specimen.conventional)


def read_as(specimen: Specimen, name: str) -> float:
    """Return what a reader takes the result for, in the unit of the test; a censored one for its
    bound."""
    _, number, _ = shown(specimen, name)
    value = float(number.lstrip("<>"))
    if slip := specimen.slips.get(name):
        return value * slip.read
    return value * _factor(ANALYTES[name], specimen.conventional)


def true_as_sent(specimen: Specimen, name: str) -> tuple[str, float]:
    """Return the true value as it would have been sent, and the same in the unit of the test."""
    item = ANALYTES[name]
    _, number, unit = sent(item, specimen.true[name], specimen.conventional)
    return f"{number} {unit}", float(number.lstrip("<>")) * _factor(item, specimen.conventional)


def _factor(item: Analyte, conventional: bool) -> float:
    return item.mass.factor if item.mass and conventional else 1.0


def message(specimen: Specimen) -> str:
    """Return the message; segments end with a carriage return."""
    label = specimen.draw
    stamp = _stamp(specimen.analysed)
    lines = [
        f"MSH|^~\\&|{specimen.analyzer}|CHEMISTRY|VERIFIER|LAB|{stamp}||ORU^R01^ORU_R01|"
        f"{specimen.key}|P|2.5.1",
        _pid(label),
        f"PV1|1|{_CLASSES.get(label.group, 'O')}|{_WARDS[label.group]}",
        f"OBR|1|{specimen.key}|{specimen.key}|CHEM^Chemistry^L|||{_stamp(specimen.collected)}",
    ]
    rows = [*_results(specimen), *(_indices(specimen) if specimen.indices else ())]
    times = f"|||F|||{_stamp(specimen.collected)}||||{specimen.analyzer}|{stamp}"
    for number, (kind, code, value, unit, flag) in enumerate(rows, 1):
        lines.append(f"OBX|{number}|{kind}|{code}||{value}|{unit}||{flag}{times}")
    kind = f"{specimen.type}^{'Serum' if specimen.type == 'SER' else 'Plasma'}^HL70487"
    lines.append(
        f"SPM|1|{specimen.key}||{kind}|||||||P^Patient^HL70369||||||"
        f"{_stamp(specimen.collected)}|{_stamp(specimen.received)}"
    )
    return "\r".join(lines) + "\r"


def _results(specimen: Specimen) -> list[tuple[str, str, str, str, str]]:
    rows = []
    for name in specimen.found:
        code, number, unit = shown(specimen, name)
        coded = f"{code}^{ANALYTES[name].title}^LN"
        flag = specimen.flags.get(name, "")
        if number[0] in "<>":
            rows.append(("SN", coded, f"{number[0]}^{number[1:]}", unit, flag))
        else:
            rows.append(("NM", coded, number, unit, flag))
    return rows


def _indices(specimen: Specimen) -> list[tuple[str, str, str, str, str]]:
    return [
        ("NM", "H-INDEX^Hemolysis index^L", f"{specimen.hemoglobin:.2f}", "g/L", ""),
        ("NM", "I-INDEX^Icterus index^L", f"{specimen.bilirubin:.0f}", "umol/L", ""),
        ("NM", "L-INDEX^Lipemia index^L", f"{specimen.fat * 88.57:.0f}", "{index}", ""),
    ]


def _pid(label: Draw) -> str:
    person = label.person
    birth = f"{person.birth:%Y%m%d}" if person.birth_known else ""
    return (
        f"PID|1||Y{person.number:06}^^^LAB^MR||Sample^Patient{person.number}||{birth}|{person.sex}"
    )


def _stamp(at: datetime) -> str:
    return f"{at:%Y%m%d%H%M%S}+0000"
