"""The log-normal reference change value: up by more percent than down, the same factor."""

import math
from datetime import timedelta
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scenes import HEAD, judged, program, reasons

from verifier.facts.values import Between, Value
from verifier.language import Program, check, tree
from verifier.language.differences import differences
from verifier.language.findings import Findings
from verifier.language.formatting import formatted
from verifier.language.reader import read
from verifier.language.referencechange import percent_up_and_down, reference_factor
from verifier.language.source import Source

DAY = timedelta(days=1)
# σ = √ln(1 + CV²), limits (exp(±√2 · 1.96 · σ) − 1) · 100 % (Fokkema et al., Clin Chem
# 2006;52:1602; Lund et al., Ann Clin Biochem 2015;52:237; from memory), computed in double
# precision. Within-subject variation as in test_looking_back.
PUBLISHED = [
    ("sodium", "0.8", "0.6", "2.81", "2.73"),
    ("potassium", "1.6", "4.6", "14.44", "12.62"),
    ("chloride", "1.0", "1.2", "4.42", "4.24"),
    ("bicarbonate", "2.5", "4.0", "13.96", "12.25"),
    ("urea", "2.4", "12.1", "40.58", "28.87"),
    ("creatinine", "2.2", "5.95", "19.20", "16.11"),
    ("calcium", "1.2", "2.1", "6.93", "6.48"),
    ("albumin", "1.3", "3.2", "10.04", "9.13"),
    ("total protein", "1.3", "2.75", "8.79", "8.08"),
    ("bilirubin", "1.6", "21.8", "82.00", "45.05"),
    ("ALT", "2.3", "19.4", "70.99", "41.52"),
    ("AST", "3.3", "12.3", "42.13", "29.64"),
    ("glucose", "1.8", "5.6", "17.69", "15.03"),
    ("CK", "2.5", "22.8", "87.32", "46.61"),
]


def rules(analytical: str, within: str, level: str = "95 %") -> Program:
    value = f"lognormal rcv(analytical {analytical} %, within-subject {within} %, {level})"
    return program(
        f'{HEAD}limits for potassium\n  from "s"\n  change at most {value} within 30 days\n'
        'rule r for potassium\n  from "s"\n  hold when result changed too much\n'
        '  when unknown hold\n  because "{test} {result} after {earlier}, {limit}"\n'
    )


def said(made: Program, today: str | Value, before: str | Value) -> str:
    found = reasons(made, {"potassium": today}, earlier={"potassium": [(DAY, before)]})
    return " ".join(text.removeprefix("r ") for text in found["potassium"])


@pytest.mark.parametrize(
    ("analytical", "within", "up", "down"), [row[1:] for row in PUBLISHED],
    ids=[row[0] for row in PUBLISHED],
)  # fmt: skip
def test_the_limits_up_and_down(analytical: str, within: str, up: str, down: str) -> None:
    made = rules(analytical, within)
    highest, lowest = 100 + Decimal(up), 100 - Decimal(down)
    tick = Decimal("0.005")  # half of the last digit of the published value
    assert said(made, str(highest - tick), "100") == ""
    assert said(made, str(highest + tick), "100") == "hold"
    assert said(made, str(lowest + tick), "100") == ""
    assert said(made, str(lowest - tick), "100") == "hold"
    _, judgement = judged(made, {"potassium": "900"}, earlier={"potassium": [(DAY, "100")]})
    text = judgement.reasons[0][0].text
    assert f"at most +{up} % or -{down} % (lognormal rcv(" in text


def test_the_levels_and_sides() -> None:
    # 3 and 4 %: CV 5 %, σ² = ln 1.0025, exp(√2 · Z · σ), computed
    for level, z in (("95 %", 1.96), ("99 %", 2.58), ("95 % one-sided", 1.645),
                     ("99 % one-sided", 2.326)):  # fmt: skip
        factor = _factor("3", "4", level)
        assert float(factor) == pytest.approx(
            math.exp(math.sqrt(2) * z * math.sqrt(math.log(1.0025))), rel=1e-14
        )


def _factor(analytical: str, within: str, level: str = "95 %") -> Decimal:
    row = f"rcv(analytical {analytical} %, within-subject {within} %, {level})"
    source = Source("a", f'limits for x\n  change at most lognormal {row} within 3 days from "s"')
    (limits,) = read({"a": source}, Findings({"a": source})).declarations
    assert isinstance(limits, tree.Limits)
    most = limits.rows[0].most  # type: ignore[union-attr]
    assert isinstance(most, tree.ReferenceChange)
    found = reference_factor(most, Findings({"a": source}))
    assert found is not None
    return found


CV = st.decimals("0", "60", places=1).map(str)


@given(CV, CV)
def test_up_and_down_are_one_factor_and_agree_with_double_precision(own: str, within: str) -> None:
    up, down = percent_up_and_down(_factor(own, within))
    assert (1 + up / 100) * (1 - down / 100) == pytest.approx(Decimal(1), rel=Decimal("1e-30"))
    assert up >= down >= 0
    share = (float(own) ** 2 + float(within) ** 2) / 1e4
    exact = math.expm1(math.sqrt(2) * 1.96 * math.sqrt(math.log1p(share)))
    assert float(up) == pytest.approx(100 * exact, rel=1e-12, abs=1e-12)


@given(CV.filter(lambda cv: cv != "0"), st.decimals("1", "500", places=1),
       st.decimals("1", "500", places=1))  # fmt: skip
def test_there_and_back_is_the_same(cv: str, one: Decimal, other: Decimal) -> None:
    made = rules("0", cv)
    assert said(made, str(one), str(other)) == said(made, str(other), str(one))


def test_zero_and_below_and_censored() -> None:
    made = rules("1.6", "4.6")
    assert said(made, "0", "4") == "hold"
    assert said(made, "4", "0") == "hold"
    assert said(made, "0", "0") == ""
    assert said(made, "-1", "4") == "unknown"
    assert said(made, "4", "-1") == "unknown"
    assert said(made, Between(None, Decimal("2")), "4") == "unknown"


def test_it_is_another_meaning_and_keeps_its_layout() -> None:
    row = "rcv(analytical 1.6 %, within-subject 4.6 %, 95 % one-sided)"
    text = (
        f'{HEAD}limits for potassium\n  from "s"\n  change  at most lognormal {row} within 3 days'
    )
    rule = '\nrule r for potassium\n  from "s"\n  hold when result changed too much\n' + (
        '  when unknown hold\n  because "x"\n'
    )
    symmetric = (text + rule).replace("lognormal ", "")
    two_sided = (text + rule).replace(" one-sided", "")
    made = {program(t).identity for t in (text + rule, symmetric, two_sided)}
    assert len(made) == 3
    again = formatted((text + rule).replace("lognormal rcv(", "lognormal   rcv ( "))
    assert again is not None
    assert f"at most lognormal {row} within 3 days" in again
    assert differences({"a": symmetric}, {"a": text + rule}) == [
        f"potassium: change at most {row} within 3 days becomes lognormal {row} within 3 days",
        'potassium: the change limit changed, its source did not ("s")',
    ]


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("lognormal 5 %", "R100"),
        ("lognormal rcv(analytical 1.6, within-subject 4.6 %, 95 %)", "R203"),
        ("lognormal rcv(analytical 1.6 %, within-subject 4.6 %, 90 %)", "R209"),
        ("lognormal rcv(analytical 1.6 %, within-subject 4.6 %, 95 %) per day", "R100"),
    ],
)
def test_what_is_wrong_with_one(text: str, code: str) -> None:
    whole = f'{HEAD}limits for potassium\n  from "s"\n  change at most {text} within 3 days\n'
    errors = {d.code for d in check({"a.rules": whole}).diagnostics if d.severity == "error"}
    assert errors - {"R500"} == {code}
