"""The numbers of the oracle: what a case and its past give, and what formulas make of them."""

from collections.abc import Iterable
from dataclasses import dataclass, field, fields, is_dataclass, replace
from datetime import date, timedelta
from decimal import Decimal
from typing import Any

from oracle_numbers import (
    PLAIN,
    UNITS,
    WIDE,
    Quantity,
    Truth,
    Unit,
    applied,
    combined,
    compare,
    converted,
    number,
    read,
    rounded,
)

from verifier.facts.case import Case, Earlier, Result
from verifier.language import tree

SECONDS = {"minute": 60, "hour": 3600, "day": 86400, "week": 604800}


def span(amount: tree.Amount | tree.Name, parameters: dict[str, tree.Amount]) -> timedelta:
    """Return a time span as written, or as a parameter has it."""
    if isinstance(amount, tree.Name):
        amount = parameters[amount.name]
    word = (amount.unit or "").removesuffix("s")
    return timedelta(seconds=int(amount.value * SECONDS[word]))


def age_in(unit: str, birth: date, on: date) -> int:
    """Return completed days, weeks, months or years; 29 February counts from 1 March."""
    if unit in ("day", "week"):
        return (on - birth).days // (7 if unit == "week" else 1)
    if unit == "year":
        return on.year - birth.year - ((on.month, on.day) < (birth.month, birth.day))
    return 12 * (on.year - birth.year) + on.month - birth.month - (on.day < birth.day)


@dataclass
class RuleSet:
    """The statements of a rule set by name."""

    tests: dict[str, tree.Test] = field(default_factory=dict)
    derived: dict[str, tree.Derive] = field(default_factory=dict)
    populations: dict[str, tree.Population] = field(default_factory=dict)
    rules: list[tree.Rule] = field(default_factory=list)
    rows: dict[tuple[str, str], list[Any]] = field(default_factory=dict)
    groups: dict[str, tree.Group] = field(default_factory=dict)
    parameters: dict[str, tree.Amount] = field(default_factory=dict)
    units: dict[str, Unit] = field(default_factory=dict)

    def add(self, declared: tree.Declaration) -> None:
        """Take one statement."""
        match declared:
            case tree.Test(name=name, unit=unit, molar_mass=mass):
                self.tests[name.text] = declared
                own = UNITS[unit.text if unit else ""]
                self.units[name.text] = replace(own, mass=mass.value) if mass else own
            case tree.Derive(name=name, unit=unit):
                self.derived[name.text] = declared
                self.units[name.text] = UNITS[unit.text if unit else ""]
            case tree.Population(name=name):
                self.populations[name.text] = declared
            case tree.Rule():
                self.rules.append(declared)
            case tree.Group(name=name):
                self.groups[name.text] = declared
            case tree.Parameter(name=name, value=value):
                self.parameters[name.text] = value
            case tree.Limits():
                for name in self.spelled(declared.tests):
                    for row in declared.rows:
                        kind = row.kind if isinstance(row, tree.Row) else "change"
                        self.rows.setdefault((name, kind), []).append(row)

    def spelled(self, words: Iterable[tree.Word]) -> set[str]:
        """Return the tests that words name, groups spelled out."""
        found: set[str] = set()
        for word in words:
            group = self.groups.get(word.text)
            found |= self.spelled(group.members) if group else {word.text}
        return found

    def inputs(self, name: str) -> set[str]:
        """Return the measured tests a derived result rests on."""
        if name in self.tests:
            return {name}
        item = self.derived.get(name)
        parts = (item.formula, item.lets, item.only_when) if item else ()
        named = _names(*parts)
        return {test for other in named for test in self.inputs(other)}


def _names(*nodes: object) -> set[str]:
    found: set[str] = set()
    for node in nodes:
        if isinstance(node, tree.Name):
            found.add(node.name)
        elif isinstance(node, tree.History | tree.Preceding) and node.test:
            found.add(node.test)
        if isinstance(node, tuple):
            found |= _names(*node)
        elif is_dataclass(node):
            found |= _names(*(getattr(node, part.name) for part in fields(node)))
    return found


class Values:
    """One case read against one rule set; `test` and `result` are those in hand."""

    def truth(self, node: tree.Expression, lets: dict[str, Any] | None = None) -> Truth:
        """Return a condition."""
        raise NotImplementedError

    def preceding(self, test: str) -> Quantity | None:
        """Return what the analyzer measured just before."""
        raise NotImplementedError

    def belongs(self, population: str) -> Truth:
        """Return whether the patient belongs to a population."""
        return self.truth(self.rules.populations[population].condition)

    def __init__(self, rules: RuleSet, case: Case) -> None:
        self.rules, self.case = rules, case
        self.test, self.result = "", None
        self.current: Result | None = None
        taken = case.specimen.collected
        self.taken = taken.at if taken else None
        text = taken.text if taken else ""
        local = date(int(text[:4]), int(text[4:6]), int(text[6:8])) if text else None
        self.today = local or case.now.date()
        self.live = [r for r in case.results if r.test and r.state != "rejected"]
        self._worked: dict[tuple[str, bool], Quantity | None] = {}

    # --- values ---

    def own(self, result: Result) -> Quantity | None:
        """Return the value of one result."""
        unit = self.rules.tests[result.test].unit
        return read(result.value, self.rules.units[result.test]) if result.unit == (
            unit.text if unit else ""
        ) else None  # fmt: skip

    def named(self, name: str, exact: bool = False) -> Quantity | None:
        """Return a test or derived result; `exact` before the rounding of `decimals`."""
        if name in self.rules.tests:
            found = [r for r in self.live if r.test == name]
            return self.own(found[0]) if len(found) == 1 else None
        if (name, exact) not in self._worked:
            self._worked[name, exact] = self._derive(self.rules.derived[name], exact)
        return self._worked[name, exact]

    def _derive(self, item: tree.Derive, exact: bool) -> Quantity | None:
        if item.population and self.belongs(item.population.text) is not True:
            return None
        lets: dict[str, Quantity | None] = {}
        for let in item.lets:
            lets[let.name.text] = self.value(let.value, lets)
        if any(self.truth(gate.condition, lets) is not True for gate in item.only_when):
            return None
        found = self.value(item.formula, lets)
        if found is None:
            return None
        unit = self.rules.units[item.name.text]
        made = replace(converted(found, unit), literal=False)
        if exact or item.decimals is None or made.exact is None:
            return made
        return rounded(made, item.decimals)

    def value(self, node: tree.Expression, lets: dict[str, Any] | None = None) -> Quantity | None:
        """Return a number; `lets` is None outside of formulas."""
        match node:
            case tree.Amount(value=value, unit=unit):
                return number(value, UNITS[unit or ""], literal=True)
            case tree.ReferenceChange():
                return number(reference_change(node), UNITS["%"])
            case tree.Name(name=name) if name in self.rules.parameters:
                return self.value(self.rules.parameters[name])
            case tree.TheResult():
                return self.result
            case tree.Name(name=name):
                if lets and name in lets:
                    return lets[name]
                return self.named(name, exact=lets is not None)
            case tree.Age():
                return self._years()
            case tree.Negative(operand=operand):
                return _negative(self.value(operand, lets))
            case tree.Arithmetic(operator=operator, left=left, right=right):
                a, b = self.value(left, lets), self.value(right, lets)
                return None if a is None or b is None else combined(operator, a, b)
            case tree.Call(function=function, arguments=arguments):
                return self._call(function, [self.value(part, lets) for part in arguments])
            case tree.Choose(condition=condition, then=then, otherwise=otherwise):
                truth = self.truth(condition, lets)
                return None if truth is None else self.value(then if truth else otherwise, lets)
            case tree.History():
                return self._history(node)
            case tree.Preceding(test=test):
                return self.preceding(test or self.test)
        raise AssertionError(node)

    def _call(self, function: str, parts: list[Quantity | None]) -> Quantity | None:
        known = [part for part in parts if part is not None and part.exact is not None]
        if len(known) < len(parts):
            return None
        match function:
            case "round":
                return rounded(known[0], int(known[1].exact or 0))
            case "abs":
                return number(abs(known[0].exact or Decimal(0)), known[0].unit)
            case "min" | "max":
                sign, best = "<" if function == "min" else ">", known[0]
                for part in known[1:]:
                    best = part if compare(sign, part, best) else best
                return best
        return applied(function, *known)

    def _years(self) -> Quantity | None:
        ages = self._ages("year")
        return number(Decimal(ages[0]), PLAIN) if ages and ages[0] == ages[1] else None

    def _ages(self, unit: str) -> tuple[int, int] | None:
        patient = self.case.patient
        if patient is None or not patient.key or patient.birth is None:
            return None
        ends = (patient.birth.latest, patient.birth.earliest)
        return age_in(unit, ends[0], self.today), age_in(unit, ends[1], self.today)

    # --- earlier results ---

    def before(self, test: str, window: timedelta) -> list[Earlier]:
        """Return what counts as earlier, newest first."""
        if self.taken is None:
            return []
        specimen, unit = self.case.specimen, self._unit_text(test)
        counted = [
            item
            for item in self.case.earlier.get(test, ())
            if timedelta(0) < self.taken - item.collected <= window
            and item.unit == unit
            and item.specimen != specimen.key
            and ("" in (item.specimen_type, specimen.type) or item.specimen_type == specimen.type)
        ]
        return sorted(counted, key=lambda item: item.collected, reverse=True)

    def _unit_text(self, test: str) -> str:
        declared = self.rules.tests.get(test) or self.rules.derived[test]
        return declared.unit.text if declared.unit else ""

    def _history(self, node: tree.History) -> Quantity | None:
        test = node.test or self.test
        found = [
            read(i.value, self.rules.units[test]) for i in self.before(test, self.span(node.window))
        ]
        if not found:
            return None
        match node.function:
            case "previous":
                return found[0]
            case "lowest" | "highest":
                return self._call("min" if node.function == "lowest" else "max", found)
            case "median":
                return self._median(found)
        now = self.named(test) if node.test else self.result
        if now is None or found[0] is None:
            return None
        change = combined("-", now, found[0])
        if node.function == "change" or change is None:
            return change
        if node.function.startswith("rate per "):
            each = node.function.removeprefix("rate per ")
            return combined("/", change, self._between(test, self.span(node.window), each))
        assert node.function == "percent change"
        share = combined("/", change, found[0])
        return share and converted(share, UNITS["%"])

    def _median(self, found: list[Quantity | None]) -> Quantity | None:
        known = [part for part in found if part is not None and part.exact is not None]
        if len(known) < len(found):
            return None
        known.sort(key=lambda part: part.exact or Decimal(0))
        low, high = known[(len(known) - 1) // 2], known[len(known) // 2]
        total = combined("+", low, high)
        return total and combined("/", total, number(Decimal(2), PLAIN))

    def _between(self, test: str, window: timedelta, each: str) -> Quantity:
        """Return the days or hours between two collections."""
        assert self.taken is not None
        seconds = (self.taken - self.before(test, window)[0].collected).total_seconds()
        return number(Decimal(seconds) / SECONDS[each], UNITS[each[0]])

    def span(self, amount: tree.Amount | tree.Name) -> timedelta:
        """Return a time span."""
        return span(amount, self.rules.parameters)


def reference_change(node: tree.ReferenceChange) -> Decimal:
    """Return the reference change value in percent: Z by the square root of twice the sum of both
    variances (Harris and Yasaka, Clin Chem 1983;29:25, from memory).
    """
    return _z(node) * (2 * (node.analytical.value**2 + node.within_subject.value**2)).sqrt(WIDE)


def lognormal_change(node: tree.ReferenceChange) -> tuple[Decimal, Decimal]:
    """Return the lowest and the highest multiple of the earlier value: e to the power of minus and
    plus the square root of two by Z by sigma; the square of sigma is the logarithm of 1 + CV
    squared (Fokkema, Clin Chem 2006;52:1602, from memory).
    """
    share = (node.analytical.value**2 + node.within_subject.value**2) / 10000
    spread = WIDE.sqrt(Decimal(2)) * _z(node) * WIDE.sqrt(WIDE.ln(1 + share))
    return WIDE.exp(-spread), WIDE.exp(spread)


def _z(node: tree.ReferenceChange) -> Decimal:
    two, one = (("1.96", "1.645"), ("2.58", "2.326"))[int(node.level.value) == 99]
    return Decimal(one if node.one_sided else two)


def _negative(value: Quantity | None) -> Quantity | None:
    if value is None or value.exact is None:
        return None
    return number(-value.exact, value.unit, value.literal)
