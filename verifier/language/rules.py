"""Compiles rules: one closure per rule and test, with everything that is said when it fires."""

from dataclasses import dataclass
from datetime import timedelta

from verifier.language import texts, tree
from verifier.language.comparing import Test
from verifier.language.expressions import Expressions, Where
from verifier.language.reuse import Reuse
from verifier.language.spelled import spelled
from verifier.language.texts import Fill
from verifier.language.typed import Typed, broken

# HL7 table 0078 (Abnormal Flags), the ones a rule may set, worst first.
FLAGS = ("HH", "LL", "AA", "H", "L", "A", "N")


@dataclass(frozen=True, slots=True)
class CompiledRule:
    """One rule for one test (or for none), ready to run."""

    name: str
    source: str
    title: str
    scope: str
    held: tuple[str, ...]
    condition: Test
    exceptions: tuple[Test, ...]
    holds_unknown: bool
    silent_on_unknown: bool
    because: Fill
    typed: Typed
    wait: tuple[str, ...]
    wait_up_to: timedelta
    flag: str
    comments: tuple[Fill, ...]
    instead: Fill | None
    orders: tuple[str, ...]
    requests: tuple[tuple[str, str], ...]


class Rules:
    """Checks and compiles the rules of one rule set."""

    def __init__(self, expressions: Expressions, reuse: Reuse) -> None:
        self._all, self._reuse = expressions, reuse
        self._findings, self._symbols = expressions.findings, expressions.symbols
        self._judged = frozenset(self._symbols.judged())

    def compiled(self) -> tuple[dict[str, list[CompiledRule]], list[CompiledRule]]:
        """Return the rules of each test, and those without a test, both by rule name."""
        by_test: dict[str, list[CompiledRule]] = {name: [] for name in self._symbols.judged()}
        of_specimen: list[CompiledRule] = []
        for name in sorted(self._symbols.rules):
            rule = self._symbols.rules[name]
            self._check_statement(rule)
            if rule.tests == ():
                of_specimen += self._compiled(rule, "")
            for test in self._tests_of(rule):
                by_test[test] += self._compiled(rule, test)
        return by_test, of_specimen

    def _tests_of(self, rule: tree.Rule) -> list[str]:
        if any(word.text in self._symbols.broken for word in rule.excluded):
            return []  # nobody can tell which tests are left
        excluded = {word.text for word in self._known(rule.excluded)}
        if rule.tests is None:
            return sorted(name for name in self._symbols.judged() if name not in excluded)
        return sorted({word.text for word in self._known(rule.tests)})

    def _known(self, words: tuple[tree.Word, ...]) -> list[tree.Word]:
        judged = self._judged
        for word in words:
            if word.text not in judged and word.text not in self._symbols.broken:
                known = [*judged, *self._symbols.groups]
                self._findings.unknown_name(word.span, word.text, known, "test or derived result")
        return [word for word in words if word.text in judged]

    def _check_statement(self, rule: tree.Rule) -> None:
        self._known(rule.held)
        self._known(rule.orders)
        self._check_suppressed(rule)
        if rule.wait:
            self._known(rule.wait.tests)
        if not rule.source:
            self._findings.add(
                "R405", rule.name.span, "this rule has no source", severity="warning",
                meaning="nobody could say later why it is there.",
                fix='add a line: from "our procedure CHEM-014 v7"',
            )  # fmt: skip
        if rule.tests == () and rule.scope not in ("specimen", "patient", "tests"):
            self._findings.add(
                "R402", rule.name.span, "this rule is for no test",
                meaning="it could not hold anything.",
                fix=f"rule {rule.name.text} for every test, or hold specimen when …",
            )  # fmt: skip
        for effect in rule.effects:
            if effect.within:
                self._all.numeric.period(effect.within)
            if effect.what == "flag" and effect.text not in FLAGS:
                self._findings.add(
                    "R209", effect.span, f"{effect.text!r} is not a flag",
                    meaning="flags are those of HL7 table 0078.", fix=f'flag "{FLAGS[0]}"',
                )  # fmt: skip

    def _check_suppressed(self, rule: tree.Rule) -> None:
        for again in [item for item in rule.effects if item.what == "suppress"][1:]:
            self._findings.add(
                "R105", again.span, "a second suppress in one rule",
                meaning="only one text can stand in place of the value.", fix="keep one of the two",
            )  # fmt: skip

    def _compiled(self, rule: tree.Rule, test: str) -> list[CompiledRule]:
        return self._reuse.of("rule", rule, test, lambda: self._for_test(rule, test))

    def _for_test(self, rule: tree.Rule, test: str) -> list[CompiledRule]:
        where = Where(test=test)
        condition = self._all.truth(rule.condition, where)
        exceptions = [self._all.truth(item.condition, where) for item in rule.exceptions]
        wait_up_to = self._all.numeric.period(rule.wait.limit) if rule.wait else timedelta(0)
        typed = condition
        if any(item.broken for item in exceptions) or wait_up_to is None:
            typed = broken(condition.span)
        because = texts.compiled(rule.because, self._symbols, self._findings, test, condition)
        comments, instead = (
            [
                texts.compiled(_word(item), self._symbols, self._findings, test, condition)
                for item in rule.effects
                if item.what == what
            ]
            for what in ("comment", "suppress")
        )
        if typed.broken:
            return []
        self._check_choice(rule, condition, test)
        if condition.constant is False:
            if rule.tests and isinstance(rule.condition, tree.LimitTest | tree.ChangedTooMuch):
                self._findings.add(
                    "R305", rule.name.span, f"{test} has no such limit", severity="warning",
                    meaning=f"this rule never fires for {test}.", fix=f"limits for {test} …",
                )  # fmt: skip
            return []  # no such limit is defined for this test: the rule says nothing about it
        flags = sorted((e.text for e in rule.effects if e.what == "flag"), key=_rank)
        return [
            CompiledRule(
                name=rule.name.text,
                source=rule.source,
                title=self._symbols.title(test) if test else "",
                scope=rule.scope,
                held=tuple(sorted(word.text for word in rule.held)),
                condition=condition.run,
                exceptions=tuple(item.run for item in exceptions),
                holds_unknown=rule.unknown != "ignore",
                silent_on_unknown=rule.unknown == "ignore" and not rule.wait,
                because=because,
                typed=typed,
                wait=tuple(sorted(w.text for w in rule.wait.tests)) if rule.wait else (),
                wait_up_to=wait_up_to or timedelta(0),
                flag=flags[0] if flags else "",
                comments=tuple(comments),
                instead=instead[0] if instead else None,
                orders=tuple(sorted(word.text for word in rule.orders)),
                requests=tuple(sorted(self._request(e) for e in rule.effects if e.what in _ASKING)),
            )
        ]

    def _request(self, effect: tree.Effect) -> tuple[str, str]:
        if not effect.within:
            return effect.text, ""
        within = self._all.amount_of(effect.within) or effect.within
        return "call", f"{effect.text} within {spelled(within)}"

    def _check_choice(self, rule: tree.Rule, condition: Typed, test: str) -> None:
        if rule.unknown is not None or not condition.missing:
            return
        names = ", ".join(sorted(condition.missing))
        self._findings.add(
            "R401", rule.name.span, f"what if not known: {names}?",
            meaning="without a choice nobody can tell whether such results are held.",
            fix="add a line: when unknown hold (safe), or: when unknown ignore",
            related=[rule.condition.span],
        )  # fmt: skip


_ASKING = ("ask", "call")


def _word(effect: tree.Effect) -> tree.Word:
    return tree.Word(effect.text, span=effect.span)


def _rank(flag: str) -> int:
    return FLAGS.index(flag) if flag in FLAGS else len(FLAGS)
