"""Scenarios in a process of their own: what they show, how far they are, and breaking off."""

import pytest

from verifier.errors import RuleSetError, VerifierError
from verifier.rulefiles import check_texts
from verifier.service.scenarioruns import run_scenarios
from verifier.store import RuleTexts

from .laboratory import RULES

FALSE = """
scenario "a critical potassium leaves, number {number}"
  given man of 50 years, potassium 6.{number} mmol/L
  expect potassium released
"""


def test_what_fails_is_what_a_check_says_of_it() -> None:
    many = RULES + "".join(FALSE.format(number=number) for number in range(30, 75))
    told: list[tuple[int, int]] = []
    found = run_scenarios(RuleTexts({"test.rules": many}, {}), "SI", lambda *far: told.append(far))
    said = [item for item in check_texts({"test.rules": many}).diagnostics if item.code == "R501"]
    assert len(said) == 45
    assert list(found.failing) == said
    assert [done for done, of in told] == sorted({20, 40, found.scenarios})
    assert {of for done, of in told} == {found.scenarios}


def test_a_rule_set_with_errors_is_not_run() -> None:
    broken = RuleTexts({"test.rules": RULES.replace("mmol/L", "mmoll", 1)}, {})
    with pytest.raises(RuleSetError, match="errors"):
        run_scenarios(broken, "SI", lambda done, of: None)


def test_who_breaks_off_need_not_wait_for_the_rest() -> None:
    many = RULES + "".join(FALSE.format(number=number) for number in range(30, 75))
    told: list[int] = []

    def enough(done: int, of: int) -> None:
        told.append(done)
        raise VerifierError("enough")

    with pytest.raises(VerifierError, match="enough"):
        run_scenarios(RuleTexts({"test.rules": many}, {}), "SI", enough)
    assert told == [20]
