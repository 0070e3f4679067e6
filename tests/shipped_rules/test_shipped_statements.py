"""What every shipped test and limit has to say, read from the statements themselves."""

import re

import pytest

from verifier.language import tree
from verifier.language.findings import Findings
from verifier.language.reader import read
from verifier.language.source import Source
from verifier.rulefiles import read_files, shipped_rules

FILES, _ = read_files(shipped_rules())
SOURCES = {name: Source(name, text) for name, text in FILES.items()}
STATEMENTS = read(SOURCES, Findings(SOURCES)).declarations
TESTS = {item.name.text: item for item in STATEMENTS if isinstance(item, tree.Test)}
LIMITS = [item for item in STATEMENTS if isinstance(item, tree.Limits)]
ROWS = [
    (name.text, row, row.source or limits.source)
    for limits in LIMITS
    for name in limits.tests
    for row in limits.rows
]
KINDS = {
    test: {
        row.kind if isinstance(row, tree.Row) else "change" for name, row, _ in ROWS if name == test
    }
    for test in {name for name, _, _ in ROWS}
}
NAMES = {
    "sodium", "potassium", "chloride", "bicarbonate", "urea", "urea_nitrogen", "creatinine",
    "glucose", "calcium", "calcium_ionized", "phosphate", "magnesium", "zinc", "albumin", "protein",
    "urate", "crp", "bilirubin",
    "bilirubin_direct", "alt", "ast", "alp", "ggt", "ldh", "ck", "ck_mb",
    "ck_mb_activity", "amylase", "lipase", "cholesterol", "hdl", "ldl", "triglycerides", "iron",
    "tibc", "transferrin", "ferritin", "lactate", "ammonia", "beta_hydroxybutyrate", "hba1c",
    "osmolality_measured", "troponin_i_hs", "troponin_t_hs", "troponin_i", "troponin_t", "lithium",
    "digoxin", "paracetamol", "salicylate", "ethanol", "height", "hemolysis", "icterus", "lipemia",
}  # fmt: skip
INDICES = {"hemolysis", "icterus", "lipemia"}


def digit_of(number: str) -> int:
    """Return the check digit of a code: LOINC Users' Guide, "Calculating mod 10 check digits"."""
    total = 0
    for place, figure in enumerate(reversed(number)):
        total += sum(map(int, str(int(figure) * (2 if place % 2 == 0 else 1))))
    return -total % 10


def test_the_check_digit_of_the_guide() -> None:
    assert digit_of("12345") == 5  # worked example of the guide


@pytest.mark.parametrize("test", sorted(TESTS))
def test_codes_have_their_check_digit(test: str) -> None:
    codes = [code for code in TESTS[test].codes if code.system == "LN"]
    assert codes, "every test can be named by its LOINC code"
    for code in codes:
        number, digit = code.code.split("-")
        assert digit_of(number) == int(digit), code.code


def test_which_tests_there_are() -> None:
    assert len(TESTS) >= 55
    assert set(TESTS) >= NAMES


@pytest.mark.parametrize("test", sorted(set(TESTS) - INDICES))
def test_every_test_says_what_may_leave(test: str) -> None:
    assert KINDS[test] >= {"possible", "measurable", "autorelease"}


@pytest.mark.parametrize("test", sorted(set(TESTS) - INDICES))
def test_critical_or_the_reason_why_not(test: str) -> None:
    if "critical" in KINDS[test]:
        return
    (file,) = [text for text in FILES.values() if re.search(rf"^limits for {test}$", text, re.M)]
    comment = re.search(rf"((?:^#.*\n)+)limits for {test}$", file, re.MULTILINE)
    assert comment
    assert "No critical limit: " in comment.group(1)


def test_every_limit_has_a_source_that_says_what_it_is() -> None:
    assert len(ROWS) > 300
    for test, row, source in ROWS:
        known = re.search(r"19\d\d|20\d\d|NORIP|published|reproduced|common practice|from memory|"
                          r"as listed|upper reference limit", source)  # fmt: skip
        assert known, f"{test}: {row.span} {source!r}"


def test_every_population_is_used() -> None:
    text = "\n".join(re.sub(r'#.*|"[^"\n]*"', "", text) for text in FILES.values())
    declared = re.findall(r"^population (\w+)", text, re.MULTILINE)
    unused = {name for name in declared if len(re.findall(rf"\b{name}\b", text)) < 2}
    assert unused == set()


@pytest.mark.parametrize("file", sorted(name for name in FILES if name.startswith("tests")))
def test_every_file_begins_with_the_caution(file: str) -> None:
    head = "\n".join(FILES[file].split("\n")[:5])
    for words in ("CAUTION", "Not a medical device", "director approves", "local law"):
        assert words in head
