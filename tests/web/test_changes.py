"""A change in words, against the reference change value, and which values are comparable.

Reference change value: Harris and Yasaka, Clin Chem 1983;29:25: z * sqrt(2 * (a² + i²)), here
2.58 * sqrt(2 * (1.5² + 3.0²)) = 12.24 % for transferrin in the shipped example rules.
"""

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path

import pytest

from verifier.facts.case import Case, Earlier, Result
from verifier.facts.subjects import BirthDate, Moment, Patient, Specimen
from verifier.facts.values import Between, Number, Titer, Value, Words
from verifier.rulefiles import load_program
from verifier.store.search import FoundResult
from verifier.web.changes import change_of, moved
from verifier.web.earlier import Before, others
from verifier.web.limitlist import band_of, limits_of

PROGRAM = load_program(Path(__file__).parent.parent.parent / "rules")
NOW = datetime(2026, 3, 2, 8, tzinfo=UTC)
SPECIMEN = Specimen("S-9", "serum", Moment(NOW, "minute", ""))


def number(text: str) -> Number:
    return Number(Decimal(text))


def stored(value: Value, unit: str, days: float, **more: str) -> FoundResult:
    at = NOW - timedelta(days=days)
    told = {"specimen": "S-0", "specimen_type": "serum", "analyzer": "AN-1", **more}
    return FoundResult(
        1, 0, "transferrin", "T", value, unit, "released", "release", True, at, at,
        told["specimen"], told["specimen_type"], told["analyzer"],
    )  # fmt: skip


def case(now: str, before: str, days: float) -> Case:
    born = datetime(1960, 1, 1, tzinfo=UTC).date()
    result = Result(
        0, "transferrin", "Transferrin", "T", number(now), "g/L", now, "g/L", "F", "open"
    )
    past = Earlier(number(before), "g/L", NOW - timedelta(days=days), "S-0", "serum")
    patient = Patient("P", birth=BirthDate(born, born), sex="F")
    return Case(patient, SPECIMEN, (result,), {"transferrin": (past,)}, {}, NOW, NOW)


def told(now: str, before: str, days: float) -> tuple[str, str, str]:
    scene = PROGRAM.scene_of(case(now, before, days), "transferrin")
    test = PROGRAM.catalogue.tests["transferrin"]
    found = others([stored(number(before), "g/L", days)], test, number(now), SPECIMEN, None, "g/L")
    change = change_of(number(now), "g/L", found, scene, PROGRAM.tables, "transferrin")
    assert change is not None
    (limit,) = change.limits
    return change.words, limit.text, limit.verdict


def test_a_change_is_set_against_what_chance_explains() -> None:
    words, text, verdict = told("2.70", "2.40", 6)
    assert words == "rose by 0.30 g/L (13 %)"
    assert text == (
        "at most 12.24 %, the reference change value (analytical 1.5 %, within-subject 3.0 %, "
        "99 %), within 30 days"
    )
    assert verdict == "further than that"
    assert told("2.69", "2.40", 6)[2] == "not further than that"  # 12.08 %
    assert told("2.11", "2.40", 6)[::2] == ("fell by 0.29 g/L (12 %)", "not further than that")
    assert told("2.70", "2.40", 31)[2] == "there is no earlier Transferrin within 30 days"


@pytest.mark.parametrize(
    ("now", "before", "words"),
    [
        (number("4.2"), number("4.2"), "is unchanged"),
        (number("0.3"), number("0.1"), "rose by 0.2 g/L (200 %)"),
        (number("5.05"), number("5.00"), "rose by 0.05 g/L (1 %)"),
        (number("1"), number("0"), "rose by 1 g/L"),
        (Titer(Decimal(160)), Titer(Decimal(40)), "rose by a factor of 4"),
        (Titer(Decimal(20)), Titer(Decimal(40)), "fell by a factor of 2"),
        (Titer(Decimal(160)), number("40"), ""),
        (Between(None, Decimal(1)), number("40"), ""),
        (number("1"), Words("clotted"), ""),
    ],
)
def test_a_change_in_words(now: Value, before: Value, words: str) -> None:
    assert moved(now, before, "g/L") == words


def one(past: FoundResult) -> Before:
    test = PROGRAM.catalogue.tests["transferrin"]
    (found,) = others([past], test, number("2.5"), SPECIMEN, None, "g/L")
    return found


def test_another_unit_is_converted_and_told() -> None:
    found = one(stored(number("240"), "mg/dL", 3))
    assert (Decimal(found.text), found.unit, found.note) == (
        Decimal("2.4"),
        "g/L",
        "stored in mg/dL",
    )
    assert (found.apart, found.change) == ("", "+0.1")


def test_what_can_not_be_compared_is_listed_apart() -> None:
    other = one(stored(number("2.4"), "g/L", 3, specimen_type="plasma", analyzer="AN-2"))
    assert (other.apart, other.change, other.analyzer) == ("of plasma", "", "AN-2")
    assert one(stored(number("2.4"), "{index}", 3)).apart == "in index"
    later = one(stored(number("2.4"), "g/L", -2))
    assert (later.later, later.change) == (True, "")
    assert (
        others([stored(number("2"), "g/L", 1, specimen="S-9")], None, None, SPECIMEN, None, "")
        == []
    )


def test_limits_are_those_of_the_person() -> None:
    woman = PROGRAM.scene_of(case("2.5", "2.4", 6), "transferrin")
    band = band_of("creatinine", PROGRAM.tables, woman)
    assert band is not None
    rows = limits_of("creatinine", PROGRAM.tables, woman)
    (reference,) = (row for row in rows if row.kind == "reference limit")
    assert (band.text, band.whom) == (reference.text, reference.whom)
    assert "women" in band.whom or "woman" in band.whom, band.whom
    assert all(row.source for row in rows)
    assert {row.kind for row in limits_of("transferrin", PROGRAM.tables, woman)} >= {"change limit"}
