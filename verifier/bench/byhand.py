"""The forty rules of `forty.py` as a careful person would write them in Python, for one purpose.

Reasons and three values as in the rule language: what is not known holds. No units, no limits as
tables, no facts beside the reason, nothing said of where a number came from.
"""

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal

from verifier.facts.case import Case
from verifier.facts.values import Number
from verifier.facts.verdicts import Reason

D = Decimal
Hold = Callable[[str], None]
Ask = Callable[..., None]
WINDOW = timedelta(days=7)
TWO = D(2)
D0_2 = D("0.2")
D0_5 = D("0.5")
D1 = D("1")
D1_5 = D("1.5")
D1_65 = D("1.65")
D1_7 = D("1.7")
D1_8 = D("1.8")
D2_5 = D("2.5")
D2_8 = D("2.8")
D3 = D("3")
D3_2 = D("3.2")
D3_5 = D("3.5")
D5_2 = D("5.2")
D5_5 = D("5.5")
D5_8 = D("5.8")
D6 = D("6")
D6_1 = D("6.1")
D6_2 = D("6.2")
D7 = D("7")
D8 = D("8")
D10 = D("10")
D15 = D("15")
D18 = D("18")
D20 = D("20")
D25 = D("25")
D28 = D("28")
D60 = D("60")
D90 = D("90")
D115 = D("115")
D120 = D("120")
D125 = D("125")
D130 = D("130")
D150 = D("150")
D155 = D("155")
D165 = D("165")
D172 = D("172")
D300 = D("300")
D340 = D("340")
D700 = D("700")
D800 = D("800")
D1000 = D("1000")


def judge(case: Case) -> list[Reason]:
    """Return the reasons against the potassium result of a case."""
    values = {r.test: r.value.value for r in case.results if isinstance(r.value, Number)}
    potassium = values["potassium"]
    sodium, calcium, glucose = values.get("sodium"), values.get("calcium"), values.get("glucose")
    creatinine, hemolysis = values.get("creatinine"), values.get("hemolysis")
    found: list[Reason] = []

    def hold(rule: str) -> None:
        found.append(Reason(rule, "hold", f"{rule} {potassium} mmol/L"))

    def unknown(rule: str, *names: str) -> None:
        missing = "; ".join(f"{name} is missing" for name in names)
        found.append(Reason(rule, "unknown", f"can not be judged: {missing}"))

    _potassium_alone(potassium, hold)
    earlier = _earlier(case)
    if earlier is None:
        for rule in ("rise", "fall", "doubled"):
            unknown(rule, "earlier potassium")
    else:
        if potassium - earlier > D1_5:
            hold("rise")
        if earlier - potassium > D1_5:
            hold("fall")
        if potassium > TWO * earlier:
            hold("doubled")
    if hemolysis is None:
        unknown("hemolysed", "hemolysis")
        unknown("ruined", "hemolysis")
        if potassium > D5_5:
            unknown("tinged", "hemolysis")
    else:
        if hemolysis >= D0_5:
            hold("hemolysed")
        if hemolysis >= D10:
            hold("ruined")
        if hemolysis > D0_2 and potassium > D5_5:
            hold("tinged")
    _calcium(potassium, calcium, hold, unknown)
    _sodium(potassium, sodium, hold, unknown)
    _glucose(potassium, glucose, hold, unknown)
    _creatinine(case, potassium, creatinine, hold, unknown)
    _pairs(potassium, sodium, calcium, glucose, creatinine, hold, unknown)
    return found


def _earlier(case: Case) -> D | None:
    collected = case.specimen.collected
    for item in case.earlier.get("potassium", ()):
        if collected and timedelta(0) < collected.at - item.collected <= WINDOW:
            return item.value.value if isinstance(item.value, Number) else None
    return None


def _years(case: Case) -> int | None:
    patient, collected = case.patient, case.specimen.collected
    if patient is None or patient.birth is None or collected is None:
        return None
    born, on = patient.birth.earliest, collected.at.date()
    return on.year - born.year - ((on.month, on.day) < (born.month, born.day))


def _potassium_alone(potassium: D, hold: Hold) -> None:
    if potassium < D2_8:
        hold("critical-low")
    if potassium > D6_2:
        hold("critical-high")
    if potassium < D1:
        hold("beyond-low")
    if potassium > D10:
        hold("beyond-high")
    if potassium < D3:
        hold("unusual-low")
    if potassium > D6:
        hold("unusual-high")
    if not (D2_5 <= potassium <= D7):
        hold("far")


def _calcium(potassium: D, calcium: D | None, hold: Hold, unknown: Ask) -> None:
    if calcium is None:
        for rule in ("calcium-low", "calcium-high", "calcium-odd"):
            unknown(rule, "calcium")
        if potassium > D6:
            unknown("edta", "calcium")
        if potassium > D8:
            unknown("edta-much", "calcium")
        return
    if calcium < D1_65:
        hold("calcium-low")
    if calcium > D3_2:
        hold("calcium-high")
    if calcium > D3_5 or calcium < D1:
        hold("calcium-odd")
    if potassium > D6 and calcium < TWO:
        hold("edta")
    if potassium > D8 and calcium < D1_7:
        hold("edta-much")


def _sodium(potassium: D, sodium: D | None, hold: Hold, unknown: Ask) -> None:
    if sodium is None:
        for rule in ("sodium-low", "sodium-high", "ratio-high", "ratio-low", "salts"):
            unknown(rule, "sodium")
        if potassium < D3:
            unknown("saline", "sodium")
        if potassium < D3_5:
            unknown("diluted", "sodium")
        return
    if sodium < D115:
        hold("sodium-low")
    if sodium > D165:
        hold("sodium-high")
    ratio = sodium / potassium
    if ratio > D60:
        hold("ratio-high")
    if ratio < D15:
        hold("ratio-low")
    if sodium + potassium > D172:
        hold("salts")
    if sodium > D155 and potassium < D3:
        hold("saline")
    if sodium < D120 and potassium < D3_5:
        hold("diluted")


def _glucose(potassium: D, glucose: D | None, hold: Hold, unknown: Ask) -> None:
    if glucose is None:
        unknown("glucose-low", "glucose")
        unknown("glucose-high", "glucose")
        if potassium > D5_5:
            unknown("shift", "glucose")
        return
    if glucose < D2_5:
        hold("glucose-low")
    if glucose > D28:
        hold("glucose-high")
    if glucose > D20 and potassium > D5_5:
        hold("shift")


def _creatinine(case: Case, potassium: D, creatinine: D | None, hold: Hold, unknown: Ask) -> None:
    sex, years = case.patient.sex if case.patient else "", _years(case)
    if creatinine is None:
        unknown("creatinine-high", "creatinine")
        unknown("creatinine-low", "creatinine")
        if sex == "F":
            unknown("woman", "creatinine")
        if sex == "M":
            unknown("man", "creatinine")
        if potassium > D5_5:
            unknown("kidney", "creatinine")
    else:
        if creatinine > D1000:
            hold("creatinine-high")
        if creatinine < D15:
            hold("creatinine-low")
        if sex == "F" and creatinine > D700:
            hold("woman")
        if sex == "M" and creatinine > D800:
            hold("man")
        if creatinine > D300 and potassium > D5_5:
            hold("kidney")
    if potassium > D5_8:
        if years is None:
            unknown("old", "birth date")
        elif years >= D90:
            hold("old")
    if potassium > D6_1:
        if years is None:
            unknown("young", "birth date")
        elif years < D18:
            hold("young")


def _pairs(
    potassium: D,
    sodium: D | None,
    calcium: D | None,
    glucose: D | None,
    creatinine: D | None,
    hold: Hold,
    unknown: Ask,
) -> None:
    if sodium is None:
        absent = _absent(sodium=sodium, glucose=glucose)
        if glucose is None or glucose > D25:
            unknown("infusion", *absent)
        unknown("osmoles", *absent)
    elif glucose is None:
        if sodium < D130:
            unknown("infusion", "glucose")
        unknown("osmoles", "glucose")
    else:
        if glucose > D25 and sodium < D130:
            hold("infusion")
        if TWO * sodium + glucose > D340:
            hold("osmoles")
    if sodium is not None and creatinine is not None:
        if sodium > D150 and creatinine > D150:
            hold("dry")
    elif not (sodium is not None and sodium <= D150) and not (
        creatinine is not None and creatinine <= D150
    ):
        unknown("dry", *_absent(sodium=sodium, creatinine=creatinine))
    for rule, low in (("all-low", True), ("all-high", False)):
        if not (potassium < D3_2 if low else potassium > D5_2):
            continue
        if sodium is not None and not (sodium < D125 if low else sodium > D150):
            continue
        if calcium is not None and not (calcium < D1_8 if low else calcium > D2_8):
            continue
        if absent := _absent(sodium=sodium, calcium=calcium):
            unknown(rule, *absent)
        else:
            hold(rule)


def _absent(**facts: D | None) -> list[str]:
    return [name for name, value in facts.items() if value is None]
