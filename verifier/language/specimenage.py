"""Checks, compiles and shows `specimen age`: the time from collection to analysis.

Never to now: judged again, a specimen is as old as it was.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

from verifier.facts.preceding import EXACT
from verifier.facts.verdicts import Fact
from verifier.language import comparing, logic, screen, tree
from verifier.language.kinds import PERIOD, TRUTH
from verifier.language.scene import Quantity, Scene
from verifier.language.source import Span
from verifier.language.truth import Missing, Unknown
from verifier.language.typed import FactOf, Typed, broken, facts_of, missing_of

if TYPE_CHECKING:
    from verifier.language.expressions import Expressions, Where

AGE = "specimen age"
_TICK = timedelta(microseconds=1)
_NO_COLLECTION, _ROUGH, _NO_ANALYSIS, _REVERSED = (
    Unknown(Missing(AGE, "no time", text))
    for text in (
        "the collection time is missing",
        "the collection time is not known to the minute",
        "the time of analysis is not known",
        "the specimen was collected after it was analyzed",
    )
)
_PARTS = (("day", 86400), ("hour", 3600), ("minute", 60), ("second", 1))


class SpecimenAges:
    """The part of the walk over expressions that speaks of the age of specimens."""

    def __init__(self, expressions: Expressions) -> None:
        self._all, self._findings = expressions, expressions.findings

    def typed(self, node: tree.SpecimenAge, where: Where) -> Typed:
        if where.patient_only:
            self._findings.add(
                "R205", node.span, "a population speaks of the patient and specimen only",
                meaning="a specimen age is that of a result.", fix="ask for it in the rule",
            )  # fmt: skip
            return broken(node.span)
        # A formula has one value for the whole specimen, whichever result is in hand.
        run = _of_result if where.test else _of_specimen
        fact = FactOf(AGE, lambda scene: _fact(run(scene), scene))
        sketch = screen.Read((AGE, bool(where.test)), run, Decimal)
        return Typed(node.span, PERIOD, run, AGE, (fact,), frozenset({AGE}), sketch=sketch)

    def compared(self, sign: str, left: Typed, right: Typed, span: Span) -> Typed:
        """Compare with a time span, both in seconds."""
        for side in (left, right):
            if side.label != AGE and not self._is_span(side):
                return broken(span)
        if left.constant is not None:
            left, right, sign = right, left, comparing.MIRRORED[sign]
        both, limit = (left, right), right.constant
        if isinstance(limit, Decimal):
            run = comparing.comparison_with(sign, left.run, limit, AGE)
        else:
            run = comparing.comparison(sign, left.run, right.run, AGE)
        return Typed(
            span, TRUTH, run, AGE, facts_of(both), missing_of(both),
            sketch=screen.compared(sign, left, right),
        )  # fmt: skip

    def between(self, operand: Typed, low: Typed, high: Typed, span: Span) -> Typed:
        """Compare with two time spans, both of which count."""
        both = (
            self.compared(">=", operand, low, span),
            self.compared("<=", operand, high, span),
        )
        if any(part.broken for part in both):
            return broken(span)
        return Typed(
            span, TRUTH, logic.every([part.run for part in both]), AGE, facts_of(both),
            missing_of(both), sketch=screen.chained("and", both),
        )  # fmt: skip

    def _is_span(self, side: Typed) -> bool:
        """Return whether this is a written time span, or note that it is none."""
        if side.kind.what == "period" and side.constant is not None:
            return True
        words = self._findings.words(side.span)
        bare = side.kind.bare and side.constant is not None
        self._findings.add(
            "R204" if bare else "R203", side.span,
            f"{words} has no unit" if bare else f"{words} is not a time span",
            meaning="a specimen age is compared with minutes, hours, days or weeks.",
            fix=f"{words} hours" if bare else "specimen age > 8 hours",
        )  # fmt: skip
        return False


def _of_result(scene: Scene) -> Quantity:
    """Return the age in seconds when the result in hand was measured."""
    current = scene.current
    return _age(current.measured, scene) if current else _of_specimen(scene)


def _of_specimen(scene: Scene) -> Quantity:
    """Return the age in seconds when the first result of the specimen was measured."""
    return _age(_first(scene), scene)


def _first(scene: Scene) -> datetime | None:
    times = (result.measured for result in scene.case.results if result.state != "rejected")
    return min((time for time in times if time), default=None)


def _age(measured: datetime | None, scene: Scene) -> Quantity:
    collected = scene.case.specimen.collected
    if collected is None:
        return _NO_COLLECTION
    if collected.precision not in EXACT:
        return _ROUGH
    if measured is None:
        return _NO_ANALYSIS
    if measured < collected.at:
        return _REVERSED
    return Decimal((measured - collected.at) // _TICK).scaleb(-6)


def _fact(age: Quantity, scene: Scene) -> Fact:
    if not isinstance(age, Decimal) or scene.collected is None:
        return Fact(AGE, "not known")
    seconds = timedelta(seconds=float(age))
    at, source = scene.collected + seconds, f"collected {scene.collected.isoformat()}"
    return Fact(AGE, span_text(age), "", at, source)


def span_text(seconds: Decimal) -> str:
    """Return a time span in words, to the second: ``1 day 2 hours``."""
    left, words = int(seconds), list[str]()
    for name, size in _PARTS:
        count, left = divmod(left, size)
        if count or (name == "second" and not words):
            words.append(f"{count} {name}{'s' * (count != 1)}")
    return " ".join(words)
