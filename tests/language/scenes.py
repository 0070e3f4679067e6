"""Cases for the tests of the rule language, made in one line each."""

from collections.abc import Mapping
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from functools import cache
from pathlib import Path

from verifier.facts.case import Case, Control, Earlier, Preceding, Result
from verifier.facts.subjects import BirthDate, Moment, Patient, Specimen
from verifier.facts.values import Number, Value
from verifier.facts.verdicts import Judgement
from verifier.language import Program, check
from verifier.rulefiles import load_program

SHIPPED = Path(__file__).parent.parent.parent / "rules"
NOW = datetime(2026, 3, 1, 8, 0, tzinfo=UTC)
TAKEN = NOW - timedelta(hours=1)
MINUTE = timedelta(minutes=1)

HEAD = """
population adult  age >= 18 years
test potassium "Potassium"
  unit mmol/L decimals 1
test calcium "Calcium"
  unit mmol/L decimals 2
  molar mass 40.078 g/mol
test hemolysis "Hemolysis index"
  unit g/L
  interference index
"""


def adult(sex: str = "F", years: int = 40, **attributes: str) -> Patient:
    """Return a patient who had a birthday on 1 January."""
    born = date(NOW.year - years, 1, 1)
    return Patient("LAB|MR|1", birth=BirthDate(born, born), sex=sex, attributes=attributes)


@cache
def shipped() -> Program:
    """Return the rules that are shipped."""
    return load_program(SHIPPED)


def program(text: str) -> Program:
    """Return a rule set that must be free of errors."""
    checked = check({"test.rules": text})
    assert checked.program is not None, [d for d in checked.diagnostics if d.severity == "error"]
    return checked.program


def value(text: str | Value) -> Value:
    """Return a number, unless it is a value already."""
    return Number(Decimal(text)) if isinstance(text, str) else text


def case_of(
    rules: Program,
    values: Mapping[str, str | Value],
    *,
    patient: Patient | None = None,
    earlier: Mapping[str, list[tuple[timedelta, str | Value]]] | None = None,
    now: datetime = NOW,
    opened: datetime = NOW,
    collected: datetime | None = TAKEN,
    specimen_type: str = "serum",
    measured: datetime | None = NOW,
    preceding: Mapping[str, str | Value] | None = None,
    quality: Mapping[str, Control] | None = None,
) -> Case:
    """Return a case; `earlier` gives how long before collection, and the value.

    `preceding` are values of specimen S0, measured on AN1 a minute before.
    """
    tests = rules.catalogue.tests
    results = tuple(
        Result(
            entry=n, test=name, title=tests[name].title, code="", value=value(said),
            unit=tests[name].unit, sent_text="", sent_unit="", status="F", state="open",
            measured=measured,
        )
        for n, (name, said) in enumerate(values.items())
    )  # fmt: skip
    moment = Moment(collected, "second", f"{collected:%Y%m%d%H%M%S}") if collected else None
    past = {
        name: tuple(
            Earlier(value(said), tests[name].unit, TAKEN - ago, f"before-{n}", specimen_type)
            for n, (ago, said) in enumerate(items)
        )
        for name, items in (earlier or {}).items()
    }
    return Case(
        patient=patient or adult(),
        specimen=Specimen("S1", specimen_type, moment),
        results=results,
        earlier=past,
        quality=quality or {},
        now=now,
        opened=opened,
        preceding={
            name: Preceding(value(said), tests[name].unit, NOW - MINUTE, "AN1", "S0")
            for name, said in (preceding or {}).items()
        },
    )


def judged(
    rules: Program, values: Mapping[str, str | Value], **more: object
) -> tuple[Case, Judgement]:
    """Return a case and its judgement."""
    case = case_of(rules, values, **more)  # type: ignore[arg-type]
    return case, rules.judge(case)


def reasons(
    rules: Program, values: Mapping[str, str | Value], **more: object
) -> dict[str, set[str]]:
    """Return the reasons of each test as ``rule kind``."""
    case, judgement = judged(rules, values, **more)
    return {
        result.test: {f"{r.rule} {r.kind}" for r in judgement.reasons.get(n, ())}
        for n, result in enumerate(case.results)
    }
