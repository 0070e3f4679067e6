"""The decision: a result is released only when nothing at all speaks against it.

Reasons only add up. Hold outranks wait, wait outranks release, and the order in which rules or
results come changes nothing.
"""

from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import Protocol

from verifier.decide.safeguards import case_reasons, input_reasons, result_reasons, test_reasons
from verifier.facts.case import Case, Result
from verifier.facts.catalogue import Catalogue
from verifier.facts.numbers import value_text
from verifier.facts.presentation import Presentation
from verifier.facts.units import parse_unit
from verifier.facts.values import Between, Number
from verifier.facts.verdicts import (
    Decision,
    Derived,
    Judgement,
    Outcome,
    Reason,
    ResultDecision,
)

_RANK = {"safeguard": 0, "suppress": 1, "hold": 2, "unknown": 3, "wait": 4}


class RuleSet(Protocol):
    """What a decision needs of a compiled rule set."""

    @property
    def identity(self) -> str:
        """The hash of its meaning."""

    @property
    def catalogue(self) -> Catalogue:
        """The tests it knows."""

    def judge(self, case: Case) -> Judgement:
        """Return what the rules say of a case."""


def decide(case: Case, program: RuleSet) -> Decision:
    """Return the decision on every open result of a case and on what is derived from them."""
    judgement = program.judge(case)
    everywhere = case_reasons(case)
    passed_on = _passed_on(judgement.derived)
    decided = [
        _result(at, result, case, judgement, everywhere, passed_on, program.catalogue)
        for at, result in enumerate(case.results)
        if result.state == "open"
    ]
    derived = _all_derived(case, judgement.derived, _outcomes(case, decided), everywhere)
    return Decision(
        rule_set=program.identity,
        decided=case.now,
        results=tuple(decided),
        derived=derived,
        derived_values=judgement.derived,
        requests=tuple(sorted(judgement.requests, key=lambda r: (r.what, r.rule, r.tests))),
        wait_until=_wait_until([*decided, *derived]),
    )


def outcome_of(reasons: Iterable[Reason]) -> Outcome:
    """Return what follows from reasons alone: none releases, any but a wait holds."""
    outcome: Outcome = "release"
    for reason in reasons:
        if reason.kind != "wait":
            return "hold"
        outcome = "wait"
    return outcome


def _result(
    at: int,
    result: Result,
    case: Case,
    judgement: Judgement,
    everywhere: tuple[Reason, ...],
    passed_on: Mapping[str, tuple[Reason, ...]],
    catalogue: Catalogue,
) -> ResultDecision:
    value, unit = _shown(result, catalogue)
    built_in = result_reasons(result, case, catalogue, at in judgement.covered)
    own = _ordered((*everywhere, *built_in, *judgement.reasons.get(at, ())))
    reasons = tuple(dict.fromkeys((*own, *_ordered(passed_on.get(result.test, ())))))
    return ResultDecision(
        entry=result.entry,
        test=result.test,
        title=result.title,
        code=result.code,
        value=value,
        unit=unit,
        outcome=outcome_of(reasons),
        flag=judgement.flags.get(at, ""),
        reference=judgement.references.get(at, ""),
        reasons=reasons,
        comments=judgement.comments.get(at, ()),
        instead=judgement.instead.get(at, ""),
    )


def _passed_on(items: tuple[Derived, ...]) -> dict[str, tuple[Reason, ...]]:
    """Return per test why a result derived from it is held.

    A derived result is nobody's to settle; a person sees it with the results it is made of. What
    could not be judged of it is not passed on: it is left out, and says nothing of the others.
    """
    made_of = {item.test: item.inputs for item in items}
    found: dict[str, tuple[Reason, ...]] = {}
    for item in items:
        held = tuple(reason for reason in item.reasons if reason.kind in ("hold", "suppress"))
        for name in _sources(item.test, made_of) if held else ():
            found[name] = (*found.get(name, ()), *held)
    return found


def _sources(name: str, made_of: Mapping[str, tuple[str, ...]]) -> set[str]:
    """Return the tests a result is made of in the end; the checker refuses circles."""
    inputs = made_of.get(name)
    if inputs is None:
        return {name}
    return set().union(*(_sources(part, made_of) for part in inputs))


def _all_derived(
    case: Case,
    items: tuple[Derived, ...],
    outcomes: dict[str, Outcome],
    everywhere: tuple[Reason, ...],
) -> tuple[ResultDecision, ...]:
    """Decide on derived results, each after those it is derived from; kept in the given order."""
    done: dict[str, ResultDecision] = {}
    left = list(items)
    while left:
        names = {item.test for item in left}
        ready = [item for item in left if not names & set(item.inputs)] or left
        for item in ready:
            done[item.test] = _derived(item, case, outcomes, everywhere)
            outcomes[item.test] = done[item.test].outcome
        left = [item for item in left if item.test not in done]
    return tuple(done[item.test] for item in items)


def _derived(
    item: Derived, case: Case, outcomes: Mapping[str, Outcome], everywhere: tuple[Reason, ...]
) -> ResultDecision:
    inputs = {name: outcomes.get(name, "hold") for name in item.inputs}
    built_in = (*everywhere, *test_reasons(item.test, case), *input_reasons(inputs))
    reasons = _ordered((*built_in, *item.reasons))
    return ResultDecision(
        entry=-1,
        test=item.test,
        title=item.title,
        code=item.code,
        value=item.text,
        unit=item.unit,
        outcome=outcome_of(reasons),
        flag=item.flag,
        reference=item.reference,
        reasons=reasons,
        comments=item.comments,
        instead=item.instead,
    )


def _outcomes(case: Case, decided: list[ResultDecision]) -> dict[str, Outcome]:
    """Return per test the worst that stands: released before counts as released."""
    by_entry = {item.entry: item.outcome for item in decided}
    outcomes: dict[str, Outcome] = {}
    for result in case.results:
        outcome = by_entry.get(result.entry, "release")
        before = outcomes.get(result.test, "release")
        outcomes[result.test] = max(before, outcome, key=("release", "wait", "hold").index)
    return outcomes


def _ordered(reasons: Iterable[Reason]) -> tuple[Reason, ...]:
    # Built-in ones first, then by kind and name: the order of rules must not show.
    return tuple(sorted(dict.fromkeys(reasons), key=_place))


def _place(reason: Reason) -> tuple[int, str, str]:
    return (_RANK[reason.kind], reason.rule, reason.text)


def _shown(result: Result, catalogue: Catalogue) -> tuple[str, str]:
    """Return value and unit as shown: the sender's digits, or rounded after a conversion."""
    test = catalogue.tests.get(result.test)
    shown = value_text(result.value)
    known = isinstance(result.value, Number | Between) and test and result.unit == test.unit
    if known and test and test.present:
        return _converted(result, test.present), test.present.unit
    if test is None or test.decimals is None or shown == result.sent_text:
        return shown, result.unit
    return value_text(result.value, test.decimals), result.unit


def _converted(result: Result, present: Presentation) -> str:
    """Return the value in the unit the site is shown, with the sender's digits if it sent that."""
    if parse_unit(result.sent_unit) == present.unit and result.sent_text:
        return result.sent_text
    if isinstance(result.value, Number):
        return value_text(Number(present.reported(result.value.value)))
    return value_text(present.value(result.value))


def _wait_until(decided: Iterable[ResultDecision]) -> datetime | None:
    """Return when to judge again: the first end of a wait."""
    ends = (
        reason.until
        for item in decided
        if item.outcome == "wait"
        for reason in item.reasons
        if reason.until
    )
    return min(ends, default=None)
