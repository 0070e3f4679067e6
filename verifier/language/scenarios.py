"""Checks scenarios and guarantees: names, units and times; running them is another room's work."""

from collections.abc import Iterable, Sequence
from datetime import timedelta
from decimal import Decimal
from functools import partial

from msgspec import Struct

from verifier.facts.ages import Span
from verifier.facts.case import Control
from verifier.facts.numbers import read_titer
from verifier.facts.values import TITER, Between, Number
from verifier.language import kinds, tree
from verifier.language.comparing import Test
from verifier.language.derived import speaks_of_result
from verifier.language.expressions import Expressions, Where
from verifier.language.givens import Given, GivenOfTest, no_value, ranged
from verifier.language.reuse import Reuse
from verifier.language.rules import FLAGS
from verifier.language.scene import plain
from verifier.language.source import Span as Place
from verifier.language.typed import Typed

EVERYTHING = "everything"
PERSONS = {"boy": "M", "girl": "F", "man": "M", "person": "", "woman": "F"}
_STATES: dict[str, Control] = {
    "in control": "in control",
    "out of control": "out of control",
    "control unknown": "unknown",
}


class Expected(Struct, frozen=True):
    """One expectation. `what` is as in `tree.Expectation`.

    `tests` is empty for every result; `rule` is the rule that fires, or that holds.
    """

    what: str
    tests: tuple[str, ...] = ()
    rule: str = ""
    flag: str = ""


class ScenarioStep(Struct, frozen=True):
    """What one message brings, `after` the first; values are in the unit of each test.

    `specimen_age` is how long before this step the specimen was collected, None where that is not
    said; `preceding` the values the analyzer measured just before, of another patient.

    `age` is the count and its unit, and `earlier` the values of earlier specimens with how long
    before this one they were collected. `quality` gives the tests whose control state changes.
    `places` says where each of `expected` stands.
    """

    after: timedelta
    expected: tuple[Expected, ...]
    results: tuple[tuple[str, Given], ...] = ()
    earlier: tuple[tuple[str, Number | Between, timedelta], ...] = ()
    quality: tuple[tuple[str, Control], ...] = ()
    attributes: tuple[tuple[str, str], ...] = ()
    specimen: str = ""
    sex: str = ""
    age: tuple[int, Span] | None = None
    specimen_age: timedelta | None = None
    preceding: tuple[tuple[str, Number | Between], ...] = ()
    places: tuple[Place, ...] = ()


class CheckedScenario(Struct, frozen=True):
    """A scenario ready to be run: its steps in the order of time, and where its name stands."""

    name: str
    source: str
    steps: tuple[ScenarioStep, ...]
    place: Place | None = None


class CheckedGuarantee(Struct, frozen=True):
    """What must never be released: results of `tests` for which the condition is true.

    `conditions` are the same condition compiled, one for each of `tests`.
    """

    name: str
    source: str
    tests: tuple[str, ...]
    condition: tree.Expression
    conditions: tuple[Test, ...] = ()
    place: Place | None = None


class Examples:
    """Checks the scenarios and guarantees of one rule set."""

    def __init__(self, expressions: Expressions, reuse: Reuse) -> None:
        self._all, self._reuse = expressions, reuse
        self._findings, self._symbols = expressions.findings, expressions.symbols

    def scenarios(self) -> tuple[CheckedScenario, ...]:
        """Return every scenario by name; what is wrong with one is noted."""
        return tuple(
            self._reuse.here("scenario", item, "", partial(self._scenario, name, item))
            for name, item in sorted(self._symbols.scenarios.items())
        )

    def _scenario(self, name: str, item: tree.Scenario) -> CheckedScenario:
        return CheckedScenario(name, item.source, tuple(self._steps(item)), item.name.span)

    def _steps(self, scenario: tree.Scenario) -> Iterable[ScenarioStep]:
        before = timedelta(0)
        for step in scenario.steps:
            after = self._all.numeric.period(step.after) if step.after else timedelta(0)
            if after is None:
                continue
            if step.after and after <= before:
                self._findings.add(
                    "R209", step.after.span, "the steps of a scenario go forward in time",
                    meaning="`after` counts from the first message.", fix="after 30 minutes",
                )  # fmt: skip
            before = max(before, after)
            yield self._step(step, after)

    def _step(self, step: tree.Step, after: timedelta) -> ScenarioStep:
        values = [item for item in step.given if isinstance(item, tree.GivenValue)]
        nothing = [item for item in step.given if isinstance(item, tree.GivenNoValue)]
        ages = [item for item in step.given if isinstance(item, tree.GivenSpecimenAge)]
        before = [item for item in step.given if isinstance(item, tree.GivenPreceding)]
        persons = [item for item in step.given if isinstance(item, tree.GivenPerson)]
        specimens = [item for item in step.given if isinstance(item, tree.GivenSpecimen)]
        for items in (persons, specimens, ages):
            for again in items[1:]:
                self._again(again, items[0])
        read = [(item, self._value(item)) for item in values]
        known = [(item, value) for item, value in read if value is not None]
        here: list[GivenOfTest] = [item for item in values if item.before is None]
        self._check_repeats([*here, *nothing])
        self._check_repeats(before)
        return ScenarioStep(
            after=after,
            expected=tuple(self._expected(item) for item in step.expected),
            results=(
                *((i.test.text, value) for i, value in known if i.before is None),
                *((i.test.text, no_value(i)) for i in nothing if self._is_test(i.test)),
            ),
            earlier=tuple(
                (item.test.text, value, self._period(item.before))
                for item, value in known
                if item.before is not None
            ),
            quality=tuple(
                (item.test.text, _STATES[item.state])
                for item in step.given
                if isinstance(item, tree.GivenControl) and self._is_test(item.test)
            ),
            attributes=tuple(
                (item.attribute.text, item.value)
                for item in step.given
                if isinstance(item, tree.GivenAttribute)
            ),
            specimen=self._specimen(specimens[0]) if specimens else "",
            sex=self._sex(persons[0]) if persons else "",
            age=self._age(persons[0]) if persons else None,
            specimen_age=self._period(ages[0].age) if ages else None,
            preceding=tuple(
                (item.test.text, value)
                for item, value in ((item, self._value(item)) for item in before)
                if value is not None
            ),
            places=tuple(item.span for item in step.expected),
        )

    # --- what is given ---

    def _is_test(self, word: tree.Word) -> bool:
        known = self._symbols.tests
        if word.text in known:
            return True
        if word.text in self._symbols.derived:
            self._findings.add(
                "R205", word.span, f"{word.text} is worked out, not given",
                fix="give the results it is worked out from",
            )  # fmt: skip
        elif word.text not in self._symbols.broken:
            self._findings.unknown_name(word.span, word.text, known, "test")
        return False

    def _value(self, item: tree.GivenValue | tree.GivenPreceding) -> Number | Between | None:
        if not self._is_test(item.test):
            return None
        kind = self._symbols.kinds[item.test.text]
        title = self._symbols.title(item.test.text)
        if kind.what == "broken":
            return None
        written = self._all.typed(item.value, Where())
        if not written.broken:
            written = self._all.must_be(written, "number", "a number")
        if not written.broken:
            written = self._all.fitted(written, Typed(item.span, kind, lambda scene: None, title))
        number = written.constant
        if not isinstance(number, Decimal):
            return None
        if kind.is_titer:
            return read_titer(f"{item.sign}{plain(number, TITER)}")
        return ranged(item.sign, number)

    def _period(self, amount: tree.Amount) -> timedelta:
        return self._all.numeric.period(amount) or timedelta(0)

    def _sex(self, person: tree.GivenPerson) -> str:
        word = person.word
        if word.text not in PERSONS:
            self._findings.unknown_name(word.span, word.text, PERSONS, "word for a person")
        return PERSONS.get(word.text, "")

    def _age(self, person: tree.GivenPerson) -> tuple[int, Span] | None:
        amount = person.age
        unit = kinds.singular(amount.unit or "")
        if unit in kinds.SPANS and amount.value == amount.value.to_integral_value():
            return int(amount.value), kinds.SPANS[unit]
        self._findings.add(
            "R203", amount.span, "an age is in whole days, weeks, months or years",
            fix=f"{person.word.text} of 40 years",
        )  # fmt: skip
        return None

    def _specimen(self, item: tree.GivenSpecimen) -> str:
        if item.type.text not in (known := self._symbols.specimens()):
            self._findings.unknown_name(item.type.span, item.type.text, known, "specimen type")
        return item.type.text

    def _check_repeats(self, values: Sequence[GivenOfTest]) -> None:
        first: dict[str, GivenOfTest] = {}
        for item in values:
            before = first.setdefault(item.test.text, item)
            if before is not item:
                self._again(item, before)

    def _again(self, again: tree.Node, before: tree.Node) -> None:
        self._findings.add(
            "R105", again.span, "this is given twice",
            meaning="only one of them could count.", fix="keep one and delete the other",
            related=[before.span],
        )  # fmt: skip

    # --- what is expected ---

    def _expected(self, item: tree.Expectation) -> Expected:
        first = item.subjects[0]
        if item.what in ("fired", "not fired"):
            self._check_rule(first)
            return Expected(item.what, rule=first.text)
        if item.by:
            self._check_rule(item.by)
        if item.text and item.text not in FLAGS:
            self._findings.add(
                "R209", item.span, f"{item.text!r} is not a flag",
                meaning="flags are those of HL7 table 0078.", fix=f'flagged "{FLAGS[0]}"',
            )  # fmt: skip
        tests = () if first.text == EVERYTHING else self._judged(item.subjects)
        return Expected(item.what, tests, item.by.text if item.by else "", item.text)

    def _check_rule(self, word: tree.Word) -> None:
        known = self._symbols.rules
        if word.text not in known and word.text not in self._symbols.broken:
            self._findings.unknown_name(word.span, word.text, known, "rule")

    def _judged(self, words: Iterable[tree.Word]) -> tuple[str, ...]:
        judged = {*self._symbols.judged()}
        for word in (words := tuple(words)):
            if word.text not in judged | self._symbols.broken:
                known = [*judged, *self._symbols.groups]
                self._findings.unknown_name(word.span, word.text, known, "test or derived result")
        return tuple(sorted(word.text for word in words if word.text in judged))

    # --- what is never to happen ---

    def guarantees(self) -> tuple[CheckedGuarantee, ...]:
        """Return every guarantee by name; what is wrong with one is noted."""
        return tuple(
            self._guarantee(name, item) for name, item in sorted(self._symbols.guarantees.items())
        )

    def _guarantee(self, name: str, item: tree.Guarantee) -> CheckedGuarantee:
        judged = sorted(self._symbols.judged())
        tests = tuple(judged) if item.tests is None else self._judged(item.tests)

        def compiled(test: str) -> Test:
            return self._all.truth(item.condition, Where(test=test)).run

        differs = self._reuse.memory.once(speaks_of_result, item.condition)
        each = tests if differs else tests[:1]
        asked = [self._reuse.of("guarantee", item, t, partial(compiled, t)) for t in each]
        asked *= len(tests) if len(each) < len(tests) else 1
        return CheckedGuarantee(
            name, item.source, tests, item.condition, tuple(asked), item.name.span
        )
