"""Assembles scenarios and guarantees from their clauses."""

from dataclasses import replace
from typing import Any

from lark import Token
from lark.tree import Meta
from lark.visitors import v_args

from verifier.language import tree
from verifier.language.builder import unquoted
from verifier.language.ruleclauses import RuleBuilder
from verifier.language.statements import Clause


@v_args(meta=True)
class WholeBuilder(RuleBuilder):
    """Builds every statement of the language."""

    def scenario(self, meta: Meta, parts: list[Any]) -> tree.Scenario | None:
        name = self.word(parts[0])
        clauses = self._clauses(name, parts)
        given = clauses.need("given", "given woman of 40 years, potassium 5.6 mmol/L")
        expected = clauses.many("expect") or clauses.need("expect", "expect potassium released")
        if given is None or expected is None:
            return None
        steps = [tree.Step(None, given, (), span=self.span(meta))]
        for clause in (part for part in parts if isinstance(part, Clause)):
            if clause.kind == "after":
                after, more = clause.value
                steps.append(tree.Step(after, more, (), span=clause.span))
            elif clause.kind == "expect":
                steps[-1] = replace(steps[-1], expected=(*steps[-1].expected, *clause.value))
        return tree.Scenario(name, tuple(steps), clauses.one("from", ""), span=self.span(meta))

    def given(self, meta: Meta, parts: list[Any]) -> Clause:
        return self._clause("given", parts[0], meta)

    def after(self, meta: Meta, parts: list[Any]) -> Clause:
        return self._clause("after", (parts[0], parts[1] or ()), meta)

    def givens(self, meta: Meta, parts: list[Any]) -> tuple[Any, ...]:
        return tuple(parts)

    def given_person(self, meta: Meta, parts: list[Any]) -> tree.GivenPerson:
        return tree.GivenPerson(self.word(parts[0]), parts[1], span=self.span(meta))

    def given_value(self, meta: Meta, parts: list[Any]) -> tree.GivenValue:
        test, value = parts
        return tree.GivenValue(self.word(test), "=", value, None, span=self.span(meta))

    def given_range(self, meta: Meta, parts: list[Any]) -> tree.GivenValue:
        test, sign, value = parts
        return tree.GivenValue(self.word(test), str(sign), value, None, span=self.span(meta))

    def given_earlier(self, meta: Meta, parts: list[Any]) -> tree.GivenValue:
        test, value, before = parts
        return tree.GivenValue(self.word(test), "=", value, before, span=self.span(meta))

    def given_control(self, meta: Meta, parts: list[Any]) -> tree.GivenControl:
        return tree.GivenControl(self.word(parts[0]), parts[1], span=self.span(meta))

    def state(self, meta: Meta, parts: list[Token]) -> str:
        return " ".join(parts)

    def given_specimen(self, meta: Meta, parts: list[Any]) -> tree.GivenSpecimen:
        return tree.GivenSpecimen(self.word(parts[0]), span=self.span(meta))

    def given_attribute(self, meta: Meta, parts: list[Any]) -> tree.GivenAttribute:
        name, value = parts
        return tree.GivenAttribute(self.word(name), unquoted(value), span=self.span(meta))

    def given_preceding(self, meta: Meta, parts: list[Any]) -> tree.GivenPreceding:
        test, sign, value = parts
        return tree.GivenPreceding(self.word(test), str(sign or "="), value, span=self.span(meta))

    def given_specimen_age(self, meta: Meta, parts: list[Any]) -> tree.GivenSpecimenAge:
        return tree.GivenSpecimenAge(parts[0], span=self.span(meta))

    def given_missing(self, meta: Meta, parts: list[Any]) -> tree.GivenNoValue:
        return tree.GivenNoValue(self.word(parts[0]), None, span=self.span(meta))

    def given_unreadable(self, meta: Meta, parts: list[Any]) -> tree.GivenNoValue:
        test, text = parts
        return tree.GivenNoValue(self.word(test), unquoted(text), span=self.span(meta))

    def expect(self, meta: Meta, parts: list[Any]) -> Clause:
        return self._clause("expect", tuple(parts), meta)

    def expectation(self, meta: Meta, parts: list[Any]) -> tree.Expectation:
        subject, (what, by, text) = parts
        subjects = (self.word(subject),)
        return tree.Expectation(what, subjects, by, text, span=self.span(meta))

    def outcome(self, meta: Meta, parts: list[Token]) -> tuple[str, None, str]:
        return " ".join(parts), None, ""

    def held_by(self, meta: Meta, parts: list[Token]) -> tuple[str, tree.Word, str]:
        return "held", self.word(parts[0]), ""

    def flagged(self, meta: Meta, parts: list[Token]) -> tuple[str, None, str]:
        return "flagged", None, unquoted(parts[0])

    def guarantee(self, meta: Meta, parts: list[Any]) -> tree.Guarantee | None:
        name = self.word(parts[0])
        clauses = self._clauses(name, parts)
        never = clauses.need("never release", "never release when result is critical")
        if never is None:
            return None
        tests, condition = never
        source = clauses.one("from", "")
        return tree.Guarantee(name, tests, condition, source, span=self.span(meta))

    def never(self, meta: Meta, parts: list[Any]) -> Clause:
        return self._clause("never release", tuple(parts), meta)
