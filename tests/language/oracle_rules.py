"""What the oracle makes of whole rules: reasons, comments, requests and derived results."""

from collections.abc import Iterable
from dataclasses import dataclass, field, fields
from decimal import Decimal

from oracle import Reading, opposite
from oracle_numbers import Quantity
from oracle_values import RuleSet

from verifier.facts.case import Case
from verifier.language import tree

DERIVED = -1  # the place of a derived result, which no message sent


@dataclass
class Spoken:
    """Everything rules say of a case. Reasons are pairs of rule and kind, by position."""

    reasons: dict[int, set[tuple[str, str]]] = field(default_factory=dict)
    comments: dict[int, set[str]] = field(default_factory=dict)
    requests: set[tuple[str, str, tuple[str, ...], str]] = field(default_factory=set)
    derived: dict[str, tuple[Quantity, set[tuple[str, str]]]] = field(default_factory=dict)
    covered: set[int] = field(default_factory=set)
    everywhere: set[tuple[str, str]] = field(default_factory=set)


class Oracle:
    """Reads cases against the statements of one rule set."""

    def __init__(self, declarations: Iterable[tree.Declaration]) -> None:
        self.rules, self.spoke = RuleSet(), False
        groups_first = sorted(declarations, key=lambda item: not isinstance(item, tree.Group))
        for declared in groups_first:
            self.rules.add(declared)

    def judge(self, case: Case) -> Spoken:
        """Return what every rule says."""
        reading, spoken = Reading(self.rules, case), Spoken()
        for position, result in enumerate(case.results):
            if result in reading.live:
                reading.test, reading.result = result.test, reading.own(result)
                reading.current = result
                self._judge(reading, spoken, position)
        reading.current = None
        for name in sorted(self.rules.derived):
            value = reading.named(name)
            if self.rules.derived[name].report and value is not None:
                reading.test, reading.result = name, value
                spoken.reasons.pop(DERIVED, None)
                self._judge(reading, spoken, DERIVED)
                spoken.derived[name] = (value, spoken.reasons.pop(DERIVED, set()))
        reading.test, reading.result = "", None
        for rule in self.rules.rules:
            if rule.tests == ():
                self._rule(rule, reading, spoken, None)
        self._leave_out(case, spoken)
        unread = {
            case.results[n].test
            for n, said in spoken.reasons.items()
            if any(kind == "suppress" for _, kind in said)
        }
        for name in [*spoken.derived]:
            if unread & self.rules.inputs(name):  # nothing is worked out from what is suppressed
                del spoken.derived[name]
        for _, reasons in spoken.derived.values():  # the specimen is all there is of it
            reasons |= spoken.everywhere
        self.spoke = bool(spoken.reasons)
        return spoken

    def _leave_out(self, case: Case, spoken: Spoken) -> None:
        """Nothing is worked out from a suppressed value."""
        suppressed = {
            case.results[position].test
            for position, reasons in spoken.reasons.items()
            if any(kind == "suppress" for _, kind in reasons)
        }
        for name in [*spoken.derived]:
            if self._rests_on(name) & suppressed:
                del spoken.derived[name]

    def _rests_on(self, name: str) -> set[str]:
        declared = self.rules.derived.get(name)
        if declared is None:
            return {name}
        formulas = [declared.formula, *(let.value for let in declared.lets)]
        formulas += [gate.condition for gate in declared.only_when]
        names = {part for formula in formulas for part in _names(formula)}
        return set().union(*(self._rests_on(part) for part in names))

    def _judge(self, reading: Reading, spoken: Spoken, position: int) -> None:
        for rule in self.rules.rules:
            if (
                self._is_for(rule, reading.test)
                and self._settled(rule.condition, reading) is not False
            ):
                spoken.covered |= {position} - {DERIVED}
                self._rule(rule, reading, spoken, position)

    def _is_for(self, rule: tree.Rule, test: str) -> bool:
        if rule.tests is None:
            return test not in self.rules.spelled(rule.excluded)
        return test in self.rules.spelled(rule.tests)

    def _settled(self, node: tree.Expression, reading: Reading) -> bool | None:
        """Return what the absence of any limit of a kind settles for every patient."""
        match node:
            case tree.LimitTest(operand=operand) | tree.ChangedTooMuch(operand=operand):
                kind = node.kind if isinstance(node, tree.LimitTest) else "change"
                test = operand.name if isinstance(operand, tree.Name) else reading.test
                return None if self.rules.rows.get((test, kind)) else False
            case tree.ControlIs(operand=operand, state=state):
                test = operand.name if isinstance(operand, tree.Name) else reading.test
                declared = self.rules.tests.get(test)
                return None if declared and declared.controlled else state == "in control"
            case tree.AllOf(parts=parts):
                return False if any(self._settled(p, reading) is False for p in parts) else None
            case tree.AnyOf(parts=parts):
                every = all(self._settled(part, reading) is False for part in parts)
                return False if every else None
            case tree.Not(operand=operand):
                return opposite(self._settled(operand, reading))
        return None

    def _rule(self, rule: tree.Rule, reading: Reading, spoken: Spoken, at: int | None) -> None:
        truth = reading.truth(rule.condition)
        if truth is False or any(reading.truth(e.condition) is True for e in rule.exceptions):
            return
        touched = self._touched(rule, reading.case, at)
        own = touched or ([] if at is None else [at])
        if truth is True:
            kind = "hold" if rule.scope != "nothing" else ""
        else:
            kind = self._when_unknown(rule, reading)
        for position in touched if truth is True else own if rule.scope == "nothing" else touched:
            if kind:
                spoken.reasons.setdefault(position, set()).add((rule.name.text, kind))
        wide = rule.scope in ("specimen", "patient")
        if wide and kind:
            spoken.everywhere.add((rule.name.text, kind))
        if truth is True:
            if any(effect.what == "suppress" for effect in rule.effects):
                spoken.everywhere |= {(rule.name.text, "suppress")} if wide else set()
                for position in own if rule.scope == "nothing" else touched:
                    spoken.reasons.setdefault(position, set()).add((rule.name.text, "suppress"))
            self._effects(rule, reading, spoken, own)

    def _touched(self, rule: tree.Rule, case: Case, at: int | None) -> list[int]:
        if rule.scope in ("specimen", "patient"):  # of other specimens, a case knows nothing
            return [*range(len(case.results)), *([DERIVED] if at == DERIVED else [])]
        if rule.scope == "tests":
            held = self.rules.spelled(rule.held)
            return [n for n, result in enumerate(case.results) if result.test in held]
        return [] if at is None else [at]

    def _when_unknown(self, rule: tree.Rule, reading: Reading) -> str:
        if rule.wait:
            here = {result.test for result in reading.live}
            missing = self.rules.spelled(rule.wait.tests) - here
            if missing and reading.case.now < reading.case.opened + reading.span(rule.wait.limit):
                return "wait"
        return "" if rule.unknown == "ignore" else "unknown"

    def _effects(
        self, rule: tree.Rule, reading: Reading, spoken: Spoken, positions: list[int]
    ) -> None:
        results = reading.case.results
        names = {results[n].test for n in positions if n != DERIVED} - {""}
        tests = tuple(sorted(names or ({reading.test} - {""})))
        here = {result.test for result in reading.live}
        for name in self.rules.spelled(rule.orders) - here:
            spoken.requests.add(("order", rule.name.text, tests, name))
        for effect in rule.effects:
            if effect.what == "comment":
                for position in positions:
                    spoken.comments.setdefault(position, set()).add(effect.text)
            elif effect.what == "ask":
                spoken.requests.add((effect.text, rule.name.text, tests, ""))
            elif effect.what == "call":
                text = f"{effect.text} within {self._written(effect.within)}"
                spoken.requests.add(("call", rule.name.text, tests, text))

    def _written(self, within: tree.Amount | tree.Name | None) -> str:
        amount = self.rules.parameters[within.name] if isinstance(within, tree.Name) else within
        assert amount is not None
        return f"{amount.value} {amount.unit}"


def _names(part: object) -> set[str]:
    if isinstance(part, tuple):
        return set().union(*map(_names, part))
    if isinstance(part, tree.Name):
        return {part.name}
    looks = isinstance(part, tree.History | tree.Preceding)
    found = {part.test} - {None} if looks else set()
    if isinstance(part, tree.Node):
        found |= set().union(*(_names(getattr(part, item.name)) for item in fields(part)))
    return found


def plain(value: Quantity) -> Decimal | tuple[Decimal | None, Decimal | None]:
    """Return a derived value for a comparison with the program's."""
    return value.exact if value.exact is not None else (value.low, value.high)
