"""One patient of a given age with one result, judged by the shipped rules."""

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from functools import cache

from verifier.facts.case import Case, Earlier, Result
from verifier.facts.subjects import BirthDate, Moment, Patient, Specimen
from verifier.facts.values import Number
from verifier.facts.verdicts import Judgement
from verifier.language import Program
from verifier.rulefiles import load_program, shipped_rules

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
TAKEN = NOW - timedelta(hours=1)


@cache
def shipped() -> Program:
    """Return the rules that are shipped."""
    return load_program(shipped_rules())


def born(count: int, unit: str) -> date:
    """Return the birth date of somebody who completes so many days, months or years today."""
    if unit == "days":
        return NOW.date() - timedelta(days=count)
    months = NOW.year * 12 + NOW.month - 1 - count * (12 if unit == "years" else 1)
    return date(months // 12, months % 12 + 1, NOW.day)


def judged(
    test: str,
    value: str,
    birth: date,
    sex: str = "F",
    earlier: tuple[timedelta, str] | None = None,
    specimen: str = "serum",
) -> Judgement:
    """Return the judgement of one result; `earlier` is how long before, and the value."""
    known = shipped().catalogue.tests[test]
    result = Result(
        entry=0, test=test, title=known.title, code="", value=Number(Decimal(value)),
        unit=known.unit, sent_text="", sent_unit="", status="F", state="open",
    )  # fmt: skip
    past = ()
    if earlier:
        ago, before = earlier
        past = (Earlier(Number(Decimal(before)), known.unit, TAKEN - ago, "before", specimen),)
    case = Case(
        patient=Patient("LAB|MR|1", birth=BirthDate(birth, birth, TAKEN.time()), sex=sex),
        specimen=Specimen("S1", specimen, Moment(TAKEN, "second", f"{TAKEN:%Y%m%d%H%M%S}")),
        results=(result,), earlier={test: past}, quality={}, now=NOW, opened=NOW,
    )  # fmt: skip
    return shipped().judge(case)


def reasons(*case: object, **more: object) -> set[str]:
    """Return what holds the result, as ``rule kind``."""
    said = judged(*case, **more).reasons.get(0, ())  # type: ignore[arg-type]
    return {f"{reason.rule} {reason.kind}" for reason in said}
