"""What people write who are not programmers, and the sentence each of them gets."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from slips_elsewhere import ELSEWHERE
from slips_in_rules import IN_RULES

from verifier.language import Diagnostic, check, explaining

WRITTEN = IN_RULES + ELSEWHERE
HEAD = 'rule high for potassium\n  from "our procedure"\n'
WHY = '  because "{test} {result}"\n'
PLACES = {
    "rule": lambda line: f"{HEAD}  {line}\n  when unknown ignore\n{WHY}",
    "clause": lambda line: (
        f"{HEAD}  hold when result > 6.2 mmol/L\n  {line}\n"
        + ("" if line.startswith(("because", "reason")) else WHY)
    ),
    "head": lambda line: f'{line}\n  from "our procedure"\n  hold when result is critical\n{WHY}',
    "row": lambda line: f'limits for hemolysis\n  from "our procedure"\n  {line}\n',
    "test": lambda line: f'test sodium "Sodium"\n  {line}\n',
    "derive": lambda line: f'derive gap "Gap"\n  unit mmol/L\n  {line}\n  from "our procedure"\n',
    "given": lambda line: f'scenario "s"\n  {line}\n  expect potassium released\n',
    "expect": lambda line: f'scenario "s"\n  given potassium 5 mmol/L\n  {line}\n',
    "never": lambda line: f'guarantee "g"\n  {line}\n',
    "named": lambda line: f"{line}\n  given potassium 5 mmol/L\n  expect potassium released\n",
    "number": lambda line: f'{line}\n  from "our procedure"\n',
    "alone": lambda line: f"{line}\n",
}


def errors(text: str) -> list[Diagnostic]:
    """Return the errors in a text that stands beside the statements of the pages."""
    found = check({"bench.rules": explaining.bench(), "slip.rules": text}).diagnostics
    return [d for d in found if d.file == "slip.rules" and d.severity == "error"]


def test_there_are_enough_of_them() -> None:
    assert len(WRITTEN) >= 40
    assert len({line for _, line, *_ in WRITTEN}) == len(WRITTEN)
    assert sum(paste for _, _, _, paste, *_ in WRITTEN) >= 80


@pytest.mark.parametrize(
    ("place", "line", "code", "paste", "message", "fix"), WRITTEN, ids=[w[1] for w in WRITTEN]
)
def test_a_slip_gets_its_sentence(
    place: str, line: str, code: str, paste: bool, message: str, fix: str
) -> None:
    (finding,) = errors(PLACES[place](line))
    assert (finding.code, finding.message, finding.fix) == (code, message, fix)
    if paste:
        assert errors(PLACES[place](fix)) == []


def test_no_message_speaks_of_the_machine() -> None:
    for *_, message, fix in WRITTEN:
        for word in ("token", "parse", "syntax", "NAME", "NUMBER", "lark", "expected"):
            assert word not in message + fix


@settings(deadline=None, max_examples=60)
@given(
    st.sampled_from(sorted(PLACES)),
    st.lists(st.sampled_from(sorted({w for _, line, *_ in WRITTEN for w in line.split()})),
             min_size=1, max_size=12).map(" ".join),
)  # fmt: skip
def test_no_mixture_of_slips_is_more_than_a_finding(place: str, line: str) -> None:
    for finding in errors(PLACES[place](line)):
        assert finding.message
        assert "\0" not in finding.fix
