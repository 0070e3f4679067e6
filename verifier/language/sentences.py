"""Says in sentences what the statements of a rule set do, for people who do not write rules."""

from collections.abc import Iterator
from dataclasses import replace

from verifier.language import tree
from verifier.language.program import Program
from verifier.language.spelled import spelled

_SIGNS = {
    ">": "is more than", ">=": "is at least", "<": "is less than", "<=": "is at most", "=": "is",
}  # fmt: skip
_LIMITS = {"critical": "is critical", "possible": "is outside what is possible",
           "measurable": "is outside what can be measured"}  # fmt: skip
_SCOPES = {"result": "the result", "specimen": "the whole specimen",
           "patient": "every open specimen of the patient"}  # fmt: skip
_EFFECTS = {
    "comment": "Adds the comment “{}”.", "flag": "Sets the flag {}.", "ask": "Asks for {}.",
    "suppress": "Puts “{}” in place of the value.", "call": "Asks to call {}.",
}  # fmt: skip


class Sentences:
    """Speaks of the statements of one checked rule set, with the titles it gives."""

    def __init__(self, program: Program) -> None:
        tests = program.catalogue.tests
        self._titles = {name: test.title for name, test in tests.items()}
        self._parameters = {p.name: f"{p.value} {p.unit}".strip() for p in program.parameters}
        self._populations: set[str] = set()
        for declared in program.statements:
            if isinstance(declared, tree.Population):
                self._populations.add(declared.name.text)
            if isinstance(declared, tree.Derive):
                self._titles[declared.name.text] = declared.title

    def of(self, declared: tree.Declaration) -> list[str]:
        """Return what a statement does; nothing for limits, which are a table."""
        match declared:
            case tree.Rule():
                return list(self._rule(declared))
            case tree.Test():
                return list(self._test(declared))
            case tree.Derive():
                return list(self._derive(declared))
            case tree.Parameter(name=name):
                return [f"{_plain(name.text)} is {self._parameters[name.text]}."]
            case tree.Population(name=name, condition=condition):
                return [f"Of {_plain(name.text)} is whom this fits: {self.words(condition)}."]
            case tree.Group(name=name, members=members):
                return [f"{_plain(name.text)} means {self._listed(members)}."]
            case tree.Guarantee():
                who = "a result" if declared.tests is None else self._listed(declared.tests)
                return [f"Never releases {who} when {self.words(declared.condition)}."]
            case _:
                return []

    def _rule(self, rule: tree.Rule) -> Iterator[str]:
        if rule.tests is None:
            but = f" but {self._listed(rule.excluded)}" if rule.excluded else ""
            yield f"For every test{but}."
        elif rule.tests:
            yield f"For {self._listed(rule.tests)}."
        what = _SCOPES.get(rule.scope) or self._listed(rule.held)
        lead = "Speaks up" if rule.scope == "nothing" else f"Holds {what}"
        yield f"{lead} when {self.words(rule.condition)}."
        for item in rule.exceptions:
            yield f"Not when {self.words(item.condition)} ({item.label})."
        if rule.wait:
            yield f"Waits up to {self.words(rule.wait.limit)} for {self._listed(rule.wait.tests)}."
        if rule.unknown:
            then = "it is held" if rule.unknown == "hold" else "this rule says nothing"
            yield f"Where a fact for this is not known, {then}."
        yield f"Reason given: “{rule.because.text}”."
        for effect in rule.effects:
            within = f" within {self.words(effect.within)}" if effect.within else ""
            yield _EFFECTS[effect.what].format(effect.text + within)
        if rule.orders:
            yield f"Orders {self._listed(rule.orders)} besides."

    def _test(self, test: tree.Test) -> Iterator[str]:
        codes = ", ".join(
            f"LOINC {each.code}" if each.system == "LN" else f"the local code {each.code}"
            for each in test.codes
        )
        where = f" in {' and '.join(test.specimens)}" if test.specimens else ""
        yield f"{test.title} is recognized by {codes}{where}."
        unit = test.unit.text if test.unit else "no unit"
        places = "one decimal" if test.decimals == 1 else f"{test.decimals or 'no'} decimals"
        decimals = "" if test.decimals is None else f", with {places}"
        yield f"Judged in {unit}{decimals}."
        if not test.controlled and not test.index:
            yield "Needs no control to be released."

    def _derive(self, item: tree.Derive) -> Iterator[str]:
        unit = f", in {item.unit.text}" if item.unit else ""
        yield f"{item.title} is worked out{unit}: {spelled(item.formula)}."
        for let in item.lets:
            yield f"There, {let.name.text} is {spelled(let.value)}."
        if item.population:
            yield f"Only for {_plain(item.population.text)}."
        for gate in item.only_when:
            yield f"Only when {self.words(gate.condition)}; otherwise: {gate.reason}."
        if item.report:
            yield f"Reported as {item.report.code}."

    def words(self, node: tree.Expression) -> str:
        """Return a condition or a quantity as it is said."""
        match node:
            case tree.AllOf(parts=parts):
                return " and ".join(self._part(part, tree.AnyOf) for part in parts)
            case tree.AnyOf(parts=parts):
                return ", or ".join(self.words(part) for part in parts)
            case tree.Not(operand=operand):
                return f"it is not so that {self._part(operand, tree.AllOf, tree.AnyOf)}"
            case tree.Compare(operator=sign, left=left, right=right):
                return f"{self.words(left)} {_SIGNS[sign]} {self.words(right)}"
            case tree.IsBetween(operand=operand, low=low, high=high):
                ends = f"{self.words(low)} and {self.words(high)}"
                return f"{self.words(operand)} is between {ends}"
            case tree.IsKnown(operand=operand):
                return f"{self.words(operand)} is known"
            case tree.LimitTest(operand=operand, kind=kind):
                return f"{self.words(operand)} {_LIMITS.get(kind, f'is outside the {kind} limits')}"
            case tree.ChangedTooMuch(operand=operand):
                return f"{self.words(operand)} has changed more than its change limit"
            case tree.ControlIs(operand=operand, state=state):
                return f"the control of {self.words(operand)} is {state}"
            case tree.AttributeIs(attribute=name, value=value):
                return f"{_plain(name)} is {value}"
            case tree.History(function=function, test=test, window=window):
                of = "the result" if test is None else self._called(test)
                return f"the {function} of {of} within {self.words(window)}"
            case tree.Preceding(test=test):
                of = "this test" if test is None else self._called(test)
                return f"the value of {of} measured just before"
            case tree.SpecimenAge():
                return "the time from collection to measurement"
            case tree.TheResult():
                return "the result"
            case tree.Name(name=name):
                return self._called(name)
            case tree.Amount(unit=unit) if unit and unit.startswith("{"):
                return spelled(replace(node, unit=None))
            case _:
                return spelled(node)

    def _part(self, node: tree.Expression, *looser: type[tree.Node]) -> str:
        said = self.words(node)
        return f"({said})" if isinstance(node, looser) else said

    def _called(self, name: str) -> str:
        if name in self._populations:
            return f"the patient is of {_plain(name)}"
        if name in self._parameters:
            return f"{self._parameters[name]} ({_plain(name)})"
        return self._title(name)

    def _title(self, name: str) -> str:
        title = self._titles.get(name, _plain(name))
        return title[0].lower() + title[1:] if title[1:2].islower() else title

    def _listed(self, words: tuple[tree.Word, ...]) -> str:
        titles = [self._title(word.text) for word in words]
        return ("; " if any("," in title for title in titles) else ", ").join(titles)


def _plain(name: str) -> str:
    return name.replace("_", " ")
