"""Invented cases and a rule set that says what a test wants it to say."""

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from decimal import Decimal

from verifier.facts.case import Case, Control, Result
from verifier.facts.catalogue import Catalogue, TestDefinition
from verifier.facts.subjects import Patient, Specimen
from verifier.facts.values import Number
from verifier.facts.verdicts import Derived, Judgement, Reason

NOW = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
PATIENT = Patient("HOSP^MR^1")
SPECIMEN = Specimen("S1", "serum")
TESTS = {
    "sodium": TestDefinition("sodium", "Sodium", unit="mmol/L", decimals=0),
    "potassium": TestDefinition("potassium", "Potassium", unit="mmol/L", decimals=1),
    "chloride": TestDefinition("chloride", "Chloride", unit="mmol/L", decimals=0, controlled=False),
    "hemolysis": TestDefinition("hemolysis", "Hemolysis index", unit="g/L", kind="index"),
}
IN_CONTROL: dict[str, Control] = dict.fromkeys(TESTS, "in control")


class Rules:
    """A rule set that gives a fixed judgement and covers what it is told to cover."""

    identity = "0" * 64
    catalogue = Catalogue(TESTS, {})
    longest_window = timedelta(days=7)
    needs_preceding: frozenset[str] = frozenset()

    def __init__(
        self,
        reasons: Mapping[int, tuple[Reason, ...]] | None = None,
        *,
        uncovered: frozenset[int] = frozenset(),
        derived: tuple[Derived, ...] = (),
    ) -> None:
        self._reasons, self._uncovered, self._derived = reasons or {}, uncovered, derived

    def judge(self, case: Case) -> Judgement:
        everything = frozenset(range(len(case.results)))
        return Judgement(self._reasons, everything - self._uncovered, derived=self._derived)


def result(test: str, text: str = "4.1", **more: object) -> Result:
    known = TESTS.get(test)
    plain = {
        "entry": 0,
        "test": test,
        "title": known.title if known else test,
        "code": test,
        "value": Number(Decimal(text)),
        "unit": known.unit if known else "",
        "sent_text": text,
        "sent_unit": known.unit if known else "",
        "status": "F",
        "state": "open",
        "connection": "analyzer",
    }
    return Result(**{**plain, **more})  # type: ignore[arg-type]


def case(*results: Result, **more: object) -> Case:
    numbered = tuple(
        Result(**{**{f: getattr(r, f) for f in r.__struct_fields__}, "entry": at})
        for at, r in enumerate(results)
    )
    plain = {
        "patient": PATIENT,
        "specimen": SPECIMEN,
        "results": numbered,
        "earlier": {},
        "quality": IN_CONTROL,
        "now": NOW,
        "opened": NOW,
    }
    return Case(**{**plain, **more})  # type: ignore[arg-type]
