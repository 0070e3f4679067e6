"""Forty rules on one potassium result, and cases to judge with them.

Each row is a name, the condition in the rule language, and the same condition in the notation that
general-purpose engines share. `byhand.py` has them once more as a person would write them.
"""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from random import Random

from verifier.facts.case import Case, Earlier, Result
from verifier.facts.subjects import BirthDate, Moment, Patient, Specimen
from verifier.facts.values import Number

NOW = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
TAKEN = NOW - timedelta(hours=1)
UNITS = {
    "potassium": "mmol/L",
    "sodium": "mmol/L",
    "calcium": "mmol/L",
    "glucose": "mmol/L",
    "creatinine": "umol/L",
    "hemolysis": "g/L",
}
USUAL = {
    "potassium": ("4.2", "0.5"),
    "sodium": ("140", "4"),
    "calcium": ("2.35", "0.12"),
    "glucose": ("5.8", "1.2"),
    "creatinine": ("85", "20"),
    "hemolysis": ("0.05", "0.03"),
}  # mean and spread of invented results
PAST = "previous(result within 7 days)"

RULES = (
    ("critical-low", "result < 2.8 mmol/L", "potassium < 2.8"),
    ("critical-high", "result > 6.2 mmol/L", "potassium > 6.2"),
    ("beyond-low", "result < 1.0 mmol/L", "potassium < 1.0"),
    ("beyond-high", "result > 10.0 mmol/L", "potassium > 10.0"),
    ("unusual-low", "result < 3.0 mmol/L", "potassium < 3.0"),
    ("unusual-high", "result > 6.0 mmol/L", "potassium > 6.0"),
    ("hemolysed", "hemolysis >= 0.5 g/L", "hemolysis >= 0.5"),
    ("ruined", "hemolysis >= 10 g/L", "hemolysis >= 10.0"),
    ("edta", "result > 6 mmol/L and calcium < 2 mmol/L", "potassium > 6.0 and calcium < 2.0"),
    ("edta-much", "result > 8 mmol/L and calcium < 1.7 mmol/L",
     "potassium > 8.0 and calcium < 1.7"),
    ("infusion", "glucose > 25 mmol/L and sodium < 130 mmol/L",
     "glucose > 25.0 and sodium < 130.0"),
    ("saline", "sodium > 155 mmol/L and result < 3 mmol/L", "sodium > 155.0 and potassium < 3.0"),
    ("diluted", "sodium < 120 mmol/L and result < 3.5 mmol/L",
     "sodium < 120.0 and potassium < 3.5"),
    ("rise", f"result - {PAST} > 1.5 mmol/L", "potassium - earlier > 1.5"),
    ("fall", f"{PAST} - result > 1.5 mmol/L", "earlier - potassium > 1.5"),
    ("doubled", f"result > 2 * {PAST}", "potassium > 2.0 * earlier"),
    ("kidney", "creatinine > 300 umol/L and result > 5.5 mmol/L",
     "creatinine > 300.0 and potassium > 5.5"),
    ("dry", "sodium > 150 mmol/L and creatinine > 150 umol/L",
     "sodium > 150.0 and creatinine > 150.0"),
    ("sodium-low", "sodium < 115 mmol/L", "sodium < 115.0"),
    ("sodium-high", "sodium > 165 mmol/L", "sodium > 165.0"),
    ("calcium-low", "calcium < 1.65 mmol/L", "calcium < 1.65"),
    ("calcium-high", "calcium > 3.2 mmol/L", "calcium > 3.2"),
    ("glucose-low", "glucose < 2.5 mmol/L", "glucose < 2.5"),
    ("glucose-high", "glucose > 28 mmol/L", "glucose > 28.0"),
    ("creatinine-high", "creatinine > 1000 umol/L", "creatinine > 1000.0"),
    ("creatinine-low", "creatinine < 15 umol/L", "creatinine < 15.0"),
    ("woman", "sex is female and creatinine > 700 umol/L", 'sex == "F" and creatinine > 700.0'),
    ("man", "sex is male and creatinine > 800 umol/L", 'sex == "M" and creatinine > 800.0'),
    ("old", "age in years >= 90 and result > 5.8 mmol/L", "age >= 90.0 and potassium > 5.8"),
    ("young", "age in years < 18 and result > 6.1 mmol/L", "age < 18.0 and potassium > 6.1"),
    ("ratio-high", "sodium / result > 60", "sodium / potassium > 60.0"),
    ("ratio-low", "sodium / result < 15", "sodium / potassium < 15.0"),
    ("salts", "sodium + result > 172 mmol/L", "sodium + potassium > 172.0"),
    ("calcium-odd", "calcium > 3.5 mmol/L or calcium < 1 mmol/L", "calcium > 3.5 or calcium < 1.0"),
    ("tinged", "hemolysis > 0.2 g/L and result > 5.5 mmol/L",
     "hemolysis > 0.2 and potassium > 5.5"),
    ("shift", "glucose > 20 mmol/L and result > 5.5 mmol/L", "glucose > 20.0 and potassium > 5.5"),
    ("far", "not (result >= 2.5 mmol/L and result <= 7 mmol/L)",
     "not (potassium >= 2.5 and potassium <= 7.0)"),
    ("osmoles", "2 * sodium + glucose > 340 mmol/L", "2.0 * sodium + glucose > 340.0"),
    ("all-low", "sodium < 125 mmol/L and calcium < 1.8 mmol/L and result < 3.2 mmol/L",
     "sodium < 125.0 and calcium < 1.8 and potassium < 3.2"),
    ("all-high", "sodium > 150 mmol/L and calcium > 2.8 mmol/L and result > 5.2 mmol/L",
     "sodium > 150.0 and calcium > 2.8 and potassium > 5.2"),
)  # fmt: skip


def rule_set() -> str:
    """Return the rules as a rule file."""
    lines = [f"test {name}\n  unit {unit}" for name, unit in UNITS.items()]
    for name, condition, _ in RULES:
        lines.append(
            f'rule {name} for potassium\n  from "invented"\n  hold when {condition}\n'
            f'  when unknown hold\n  because "{name} {{result}}"'
        )
    return "\n".join(lines) + "\n"


def cases(count: int, *, complete: bool, seed: int = 1) -> list[Case]:
    """Return invented cases: most unremarkable, some far out; not `complete`: facts are missing."""
    random = Random(seed)  # noqa: S311 - nothing secret
    return [_case(random, complete) for _ in range(count)]


def _case(random: Random, complete: bool) -> Case:
    # One fact of one case in ten is far out, and (unless complete) of one in ten missing.
    odd = random.choice([*UNITS]) if random.random() < 0.1 else ""
    gone = random.choice([*UNITS][1:]) if not complete and random.random() < 0.1 else ""
    results = tuple(
        Result(
            entry=number, test=name, title=name, code="", value=_value(random, name, name == odd),
            unit=unit, sent_text="", sent_unit="", status="F", state="open",
        )
        for number, (name, unit) in enumerate(UNITS.items())
        if name != gone
    )  # fmt: skip
    before = Earlier(_value(random, "potassium", False), "mmol/L", TAKEN - timedelta(days=2), "S0")
    past = complete or random.random() < 0.9
    born = date(random.randrange(1930, 2007), 1, 1)
    return Case(
        patient=Patient("LAB|MR|1", birth=BirthDate(born, born), sex=random.choice("FM")),
        specimen=Specimen("S1", "serum", Moment(TAKEN, "second", f"{TAKEN:%Y%m%d%H%M%S}")),
        results=results,
        earlier={"potassium": (before,)} if past else {},
        quality={},
        now=NOW,
        opened=NOW,
    )


def _value(random: Random, name: str, odd: bool) -> Number:
    mean, spread = (float(text) for text in USUAL[name])
    value = mean * random.choice((0.3, 2.5)) if odd else random.gauss(mean, spread)
    return Number(round(Decimal(max(value, 0.01)), 2))
