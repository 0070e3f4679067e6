"""Coverage of a small rule set, counted by hand."""

from small_rules import ALL, BOY, SMALL, WOMAN

from verifier.assurance import coverage
from verifier.assurance.coverage import (
    ABOVE,
    AT,
    BELOW,
    COUNTED,
    FALSE,
    FIRED,
    SILENT,
    TRUE,
    UNKNOWN,
)
from verifier.assurance.suite import SuiteRun, run_suite
from verifier.language import check
from verifier.language.watching import Watch

# The conditions: two populations; `result is critical`; `hemolysis >= … and result > …` and its two
# parts; the exception; `result < 3.0`. Eight that can each be true, false and unknown.
CONDITIONS = 8


def run_with(*scenarios: str) -> SuiteRun:
    text = "".join(f'\nscenario "{n}"\n{said}' for n, said in enumerate(scenarios))
    found = run_suite({"small.rules": SMALL + text})
    assert found is not None
    return found


def counts(found: SuiteRun) -> dict[str, int]:
    assert {found.coverage.count(what)[1] for what in (FIRED, SILENT)} == {3}
    assert {found.coverage.count(what)[1] for what in (TRUE, FALSE, UNKNOWN)} == {CONDITIONS}
    assert {found.coverage.count(what)[1] for what in (BELOW, AT, ABOVE)} == {4}
    return {what: found.coverage.count(what)[0] for what in COUNTED}


def missing(found: SuiteRun, what: str) -> set[str]:
    return {item.words for item in found.coverage.missing if item.what == what}


def test_nothing_is_covered_by_nothing() -> None:
    found = run_with()
    assert counts(found) == dict.fromkeys(COUNTED, 0) | {BELOW: 4, AT: 4, ABOVE: 4}
    assert not found.passed


def test_one_scenario() -> None:
    """Adult is true. Critical is false, lysed and its parts true, the exception unknown, low false.

    `child` is false: its row does not fit. The row of the index is for nobody.
    """
    found = run_with(WOMAN)
    assert found.passed
    assert counts(found) == {
        FIRED: 1, SILENT: 2, TRUE: 4, FALSE: 3, UNKNOWN: 1, BELOW: 4, AT: 4, ABOVE: 4,
    }  # fmt: skip
    assert missing(found, FIRED) == {"rule critical", "rule low"}
    assert missing(found, SILENT) == {"rule lysed"}


def test_a_second_one_adds_what_it_shows() -> None:
    """A false part of `and` settles it: the part behind it is not asked."""
    found = run_with(WOMAN, BOY)
    assert counts(found) == {
        FIRED: 3, SILENT: 3, TRUE: 7, FALSE: 6, UNKNOWN: 1, BELOW: 4, AT: 4, ABOVE: 4,
    }  # fmt: skip
    assert missing(found, TRUE) == {'attribute ward is "dialysis"'}
    assert missing(found, FALSE) == {"result > 4.0 mmol/L", 'attribute ward is "dialysis"'}


def test_a_place_is_that_of_the_words() -> None:
    (item,) = [i for i in run_with(WOMAN, BOY).coverage.missing if i.what == TRUE]
    assert SMALL[item.place.start : item.place.end] == 'attribute ward is "dialysis"'


def test_all_is_covered_only_when_all_is() -> None:
    """Without an age both populations are unknown; a censored value leaves every limit open."""
    found = run_with(*ALL)
    assert found.passed
    assert found.coverage.missing == ()
    for left_out in range(len(ALL)):
        some = run_with(*(said for number, said in enumerate(ALL) if number != left_out))
        assert some.coverage.missing != (), left_out


def test_known_is_never_unknown() -> None:
    more = """
rule known for potassium
  from "s"
  hold when hemolysis is not known or not (hemolysis is known)
  because "x"
"""
    found = run_suite({"small.rules": SMALL + more})
    assert found is not None
    words = [item.words for item in found.coverage.items if item.what == TRUE]
    unknown = [item.words for item in found.coverage.items if item.what == UNKNOWN]
    assert "hemolysis is not known" in words
    assert words.count("hemolysis is known") == 1  # of the `not`, what is inside counts
    assert not [text for text in unknown if "known" in text]


def test_a_failing_edge_or_scenario_fails() -> None:
    assert not run_with(WOMAN.replace("held by lysed", "released")).passed


def test_a_rule_set_with_errors_is_not_run() -> None:
    assert run_suite({"small.rules": SMALL.replace("mmol/L", "mmool/L")}) is None


def test_a_watched_rule_set_means_and_judges_the_same() -> None:
    watch: Watch = coverage.Recorder()
    plain, seen = check({"a.rules": SMALL}), check({"a.rules": SMALL}, watch=watch)
    assert plain.program is not None
    assert seen.program is not None
    assert plain.program.identity == seen.program.identity
    assert plain.diagnostics == seen.diagnostics
