"""Looks for conditions that never or always hold, and for rules that add nothing to another."""

from collections.abc import Callable, Iterator
from itertools import islice
from typing import NamedTuple

from verifier.language import tree
from verifier.language.derived import names_in
from verifier.language.diagnostics import listing
from verifier.language.expressions import Expressions
from verifier.language.meanings import meaning
from verifier.language.regioned import Regions
from verifier.language.regions import Answer, Region, Trials, implication
from verifier.language.reuse import Reuse
from verifier.language.scene import plain

# what a rule holds, and the scopes that hold it as well
_WIDER = {
    "result": ("result", "specimen", "patient"),
    "tests": ("specimen", "patient"),
    "specimen": ("specimen", "patient"),
    "patient": ("patient",),
}
_MOST_PAIRS = 200_000  # of rules compared; bounds the time of a check


def check_usefulness(expressions: Expressions, reuse: Reuse, world: object) -> None:
    """Note conditions of one answer, and rules made useless by another, as warnings."""
    reuse.memory.answers.begin(world)
    _Usefulness(expressions, reuse).check()


class _Traits(NamedTuple):
    """What is asked of a rule again and again: its tests, and what it says and does."""

    tests: list[str]
    effects: frozenset[object]
    orders: frozenset[str]
    exempt: frozenset[object]


class _Usefulness:
    def __init__(self, expressions: Expressions, reuse: Reuse) -> None:
        self._all, self._reuse = expressions, reuse
        self._findings, self._symbols = expressions.findings, expressions.symbols
        self._regions = Regions(expressions)
        self._trials = Trials(self._regions.bounds)
        rules = self._symbols.rules
        self._traits = {name: self._traits_of(rule) for name, rule in rules.items()}

    def check(self) -> None:
        rules = [self._symbols.rules[name] for name in sorted(self._symbols.rules)]
        useful = [rule for rule in rules if not self._check_conditions(rule)]
        for _, item in sorted(self._symbols.derived.items()):
            own = {let.name.text for let in item.lets}
            gates = [gate.condition for gate in item.only_when]
            self._one_answer([gate for gate in gates if own.isdisjoint(names_in(gate))], [""])
        told: set[str] = set()
        for rule, other in islice(self._pairs(useful), _MOST_PAIRS):
            if {rule.name.text, other.name.text} & told or not self._adds_nothing(rule, other):
                continue
            if _place(rule) > _place(other) or not self._adds_nothing(other, rule):
                told.add(rule.name.text)
                self._note_useless(rule, other)

    def _pairs(self, rules: list[tree.Rule]) -> Iterator[tuple[tree.Rule, tree.Rule]]:
        """Yield rules with those that could hold as much: for the same test, or for none."""
        by_test: dict[str, list[tree.Rule]] = {}
        for rule in rules:
            for test in self._tests_of(rule):
                by_test.setdefault(test, []).append(rule)
        for rule in rules:
            for test in dict.fromkeys((*self._tests_of(rule)[:1], "")):
                yield from ((rule, other) for other in by_test.get(test, ()) if other is not rule)

    def _one(
        self, of: tuple[tree.Node, ...], test: str, make: Callable[[], Region | None]
    ) -> bool | None:
        """Return the one answer a region made of some conditions always has."""

        def tried() -> Answer:
            return self._trials.tried(make())

        kept = self._reuse.kept(self._reuse.memory.answers, "answer", of, test, tried)
        return self._trials.one_answer(kept)

    # --- conditions with one answer ---

    def _check_conditions(self, rule: tree.Rule) -> bool:
        """Note every smallest part of a rule that has one answer; return whether there is one."""
        conditions = [rule.condition, *(item.condition for item in rule.exceptions)]
        return self._one_answer(conditions, self._tests_of(rule))

    def _one_answer(self, conditions: list[tree.Expression], of: list[str]) -> bool:
        found: dict[tuple[tree.Expression, bool], list[str]] = {}
        for node in conditions:
            for test in of:
                for one in self._constant(node, test):
                    found.setdefault(one, []).append(test)
        for (part, answer), tests in found.items():
            self._note_constant(part, answer, tests)
        return bool(found)

    def _constant(self, node: tree.Expression, test: str) -> Iterator[tuple[tree.Expression, bool]]:
        inside = [found for part in _parts(node) for found in self._constant(part, test)]
        answer = None if inside else self._answer(node, test)
        yield from inside if answer is None else [(node, answer)]

    def _answer(self, node: tree.Expression, test: str) -> bool | None:
        return self._one((node,), test, lambda: self._regions.of(node, test))

    def _note_constant(self, node: tree.Expression, answer: bool, tests: list[str]) -> None:
        named = f" for {listing(tests)}" if any(tests) else ""
        self._findings.add(
            "R406", node.span,
            f"this {'always holds' if answer else 'can never hold'}{named}",
            meaning=self._why(node, tests[0])
            or ("every value fits." if answer else "no value fits: parts of it contradict."),
            fix="look at the numbers, their units, and whether `and` or `or` is meant",
            severity="warning",
        )  # fmt: skip

    def _why(self, node: tree.Expression, test: str) -> str:
        """Say against which measurable interval a single comparison was set."""
        if not isinstance(node, tree.Compare | tree.IsBetween):
            return ""
        for key, numbers in self._regions.of(node, test).numbers.items():
            low, high = self._regions.bounds(key)
            below = [number for number in numbers if low is not None and number < low]
            above = [number for number in numbers if high is not None and number > high]
            if below or above:
                asked = listing(plain(number) for number in (*below, *above))
                ends = " to ".join("any" if end is None else plain(end) for end in (low, high))
                kind = self._symbols.kind(key[1])
                unit = kind.unit if kind else ""
                title = self._symbols.title(key[1])
                return f"{title} can be measured from {ends} {unit}; this asks for {asked} {unit}."
        return ""

    # --- rules that add nothing ---

    def _adds_nothing(self, rule: tree.Rule, other: tree.Rule) -> bool:
        """Return whether whatever `rule` holds and says to do, `other` holds and says as well."""
        tests, others = self._tests_of(rule), self._tests_of(other)
        return (
            _holds_as_much(rule, other)
            and self._does_as_much(rule, other)
            and (set(tests) <= set(others) or (others == [""] and not self._derived(tests)))
            and all(self._implied(rule, other, test) for test in tests)
        )

    def _derived(self, tests: list[str]) -> bool:
        """Return whether any is a derived result, which a rule for no test does not hold."""
        return any(test in self._symbols.derived for test in tests)

    def _implied(self, rule: tree.Rule, other: tree.Rule, test: str) -> bool:
        def made() -> Region | None:
            narrow, wide = (self._regions.of(part, test) for part in both)
            return implication(narrow, wide)

        both = (rule.condition, other.condition)
        return self._one(both, test, made) is True

    def _does_as_much(self, rule: tree.Rule, other: tree.Rule) -> bool:
        """Return whether `other` has every effect of `rule`, and is not narrower in another way."""
        one, two = (self._traits[each.name.text] for each in (rule, other))
        firm = rule.unknown == "ignore" or other.unknown != "ignore"
        return (
            firm
            and rule.wait is None
            and other.wait is None
            and one.effects <= two.effects
            and one.orders <= two.orders
            and two.exempt <= one.exempt
        )

    def _tests_of(self, rule: tree.Rule) -> list[str]:
        return self._traits[rule.name.text].tests

    def _traits_of(self, rule: tree.Rule) -> _Traits:
        tests = sorted({word.text for word in rule.tests or ()}) or [""]
        if rule.tests is None:
            excluded = {word.text for word in rule.excluded}
            tests = sorted(name for name in self._symbols.judged() if name not in excluded)
        return _Traits(
            tests,
            frozenset(meaning(item, "") for item in rule.effects),
            frozenset(word.text for word in rule.orders),
            frozenset(meaning(item.condition, "") for item in rule.exceptions),
        )

    def _note_useless(self, rule: tree.Rule, other: tree.Rule) -> None:
        self._findings.add(
            "R407", rule.name.span, f"{other.name.text} holds everything this rule holds",
            meaning="without this rule the same results would be held: one of the two is not what "
            "its writer meant, or is not needed.",
            fix=f"remove {rule.name.text}, or correct one of the two conditions",
            severity="warning", related=[other.name.span],
        )  # fmt: skip


def _holds_as_much(rule: tree.Rule, other: tree.Rule) -> bool:
    if rule.scope == "tests" and other.scope == "tests":
        return {word.text for word in rule.held} <= {word.text for word in other.held}
    return other.scope in _WIDER.get(rule.scope, ())


def _parts(node: tree.Expression) -> tuple[tree.Expression, ...]:
    match node:
        case tree.AllOf() | tree.AnyOf():
            return node.parts
        case tree.Not():
            return (node.operand,)
        case _:
            return ()


def _place(rule: tree.Rule) -> tuple[str, int]:
    return rule.name.span.file, rule.name.span.start
