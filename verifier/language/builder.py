"""Turns the parser's tree of expressions into frozen values."""

from dataclasses import replace
from decimal import Decimal
from typing import Any

from lark import Token
from lark.tree import Meta
from lark.visitors import Transformer_NonRecursive, v_args

from verifier.facts.values import TITER
from verifier.language import tree
from verifier.language.source import Span, Statement


@v_args(meta=True)
class ExpressionBuilder(Transformer_NonRecursive[Token, Any]):
    """Builds expressions; each method is named after a rule of the grammar."""

    def __init__(self, statement: Statement) -> None:
        super().__init__()
        self._statement = statement

    def span(self, meta: Meta) -> Span:
        """Return where a part of the statement stands in the file."""
        if meta.empty:
            return self._statement.span(0, 1)
        return self._statement.span(meta.start_pos, meta.end_pos)

    def word(self, token: Token) -> tree.Word:
        """Return a token with its place; quotation marks are taken off."""
        start, end = token.start_pos or 0, token.end_pos or 1
        return tree.Word(unquoted(token), span=self._statement.span(start, end))

    def amount(self, meta: Meta, parts: list[Token]) -> tree.Amount:
        number, unit = parts
        return tree.Amount(Decimal(number), unit and str(unit), span=self.span(meta))

    def signed(self, meta: Meta, parts: list[Token]) -> tree.Amount:
        sign, number, unit = parts
        value = Decimal(f"{sign or ''}{number}")
        return tree.Amount(value, unit and str(unit), span=self.span(meta))

    def dilution(self, meta: Meta, parts: list[Token]) -> tree.Amount:
        value = Decimal(parts[0].removeprefix(TITER))
        return tree.Amount(value, TITER, span=self.span(meta))

    def name(self, meta: Meta, parts: list[Token]) -> tree.Name:
        return tree.Name(str(parts[0]), span=self.span(meta))

    def the_result(self, meta: Meta, parts: list[Any]) -> tree.TheResult:
        return tree.TheResult(span=self.span(meta))

    def age(self, meta: Meta, parts: list[Any]) -> tree.Age:
        return tree.Age(span=self.span(meta))

    def age_in_years(self, meta: Meta, parts: list[Any]) -> tree.Age:
        return tree.Age(True, span=self.span(meta))

    def specimen_age(self, meta: Meta, parts: list[Any]) -> tree.SpecimenAge:
        return tree.SpecimenAge(span=self.span(meta))

    def preceding(self, meta: Meta, parts: list[Any]) -> tree.Preceding | tree.Call:
        match parts[0]:
            case tree.Name(name=name):
                return tree.Preceding(name, span=self.span(meta))
            case tree.TheResult():
                return tree.Preceding(None, span=self.span(meta))
        return tree.Call("preceding", (parts[0],), span=self.span(meta))  # refused by the checker

    def arithmetic(self, meta: Meta, parts: list[Any]) -> tree.Arithmetic:
        left, operator, right = parts
        return tree.Arithmetic(str(operator), left, right, span=self.span(meta))

    def signed_factor(self, meta: Meta, parts: list[Any]) -> tree.Expression:
        sign, operand = parts
        negative: tree.Expression = tree.Negative(operand, span=self.span(meta))
        return negative if sign == "-" else operand

    def call_function(self, meta: Meta, parts: list[Any]) -> tree.Call:
        return tree.Call(str(parts[0]), tuple(parts[1:]), span=self.span(meta))

    def history(self, meta: Meta, parts: list[Any]) -> tree.History | tree.Call:
        function, subject, window = parts
        return self._history(meta, str(function), subject, window)

    def percent_change(self, meta: Meta, parts: list[Any]) -> tree.History | tree.Call:
        return self._history(meta, "percent change", *parts)

    def rate(self, meta: Meta, parts: list[Any]) -> tree.History | tree.Call:
        return self._history(meta, f"rate per {parts[1]}", *parts[2:])

    def each(self, meta: Meta, parts: list[Token]) -> str:
        return str(parts[0])

    def reference_change(self, meta: Meta, parts: list[Any]) -> tree.ReferenceChange:
        own, within_subject, level, one_sided = parts
        made = tree.ReferenceChange(own, within_subject, level, span=self.span(meta))
        return replace(made, one_sided=one_sided is not None)

    def amount_or_name(self, part: tree.Amount | Token) -> tree.Amount | tree.Name:
        """Return a number as it is, and the name of a parameter as a name."""
        if isinstance(part, tree.Amount):
            return part
        return tree.Name(str(part), span=self.word(part).span)

    def _history(
        self, meta: Meta, function: str, subject: Any, within: tree.Amount | Token
    ) -> tree.History | tree.Call:
        window = self.amount_or_name(within)
        match subject:
            case tree.Name(name=name):
                return tree.History(function, name, window, span=self.span(meta))
            case tree.TheResult():
                return tree.History(function, None, window, span=self.span(meta))
        # Anything else has no past; as a call with a window it is refused by the checker.
        return tree.Call(function, (subject, window), span=self.span(meta))

    def choose(self, meta: Meta, parts: list[Any]) -> tree.Choose:
        return tree.Choose(*parts, span=self.span(meta))

    def compare(self, meta: Meta, parts: list[Any]) -> tree.Compare:
        left, operator, right = parts
        return tree.Compare(str(operator), left, right, span=self.span(meta))

    def is_between(self, meta: Meta, parts: list[Any]) -> tree.IsBetween:
        return tree.IsBetween(*parts, span=self.span(meta))

    def is_known(self, meta: Meta, parts: list[Any]) -> tree.IsKnown:
        return tree.IsKnown(parts[0], span=self.span(meta))

    def is_not_known(self, meta: Meta, parts: list[Any]) -> tree.Not:
        return self._not(meta, self.is_known(meta, parts))

    def kind(self, meta: Meta, parts: list[Token]) -> str:
        return str(parts[0])

    def limit_test(self, meta: Meta, parts: list[Any]) -> tree.LimitTest:
        return tree.LimitTest(parts[0], str(parts[1]), span=self.span(meta))

    def limit_test_not(self, meta: Meta, parts: list[Any]) -> tree.Not:
        return self._not(meta, self.limit_test(meta, parts))

    def changed(self, meta: Meta, parts: list[Any]) -> tree.ChangedTooMuch:
        return tree.ChangedTooMuch(parts[0], span=self.span(meta))

    def control_state(self, meta: Meta, parts: list[Token]) -> str:
        return " ".join(parts)

    def control_is(self, meta: Meta, parts: list[Any]) -> tree.ControlIs:
        return tree.ControlIs(parts[0], parts[1], span=self.span(meta))

    def control_is_not(self, meta: Meta, parts: list[Any]) -> tree.Not:
        return self._not(meta, self.control_is(meta, parts))

    def sex_is(self, meta: Meta, parts: list[Token]) -> tree.SexIs:
        return tree.SexIs(str(parts[0]), span=self.span(meta))

    def sex_is_not(self, meta: Meta, parts: list[Token]) -> tree.Not:
        return self._not(meta, self.sex_is(meta, parts))

    def specimen_is(self, meta: Meta, parts: list[Token]) -> tree.SpecimenIs:
        return tree.SpecimenIs(str(parts[0]), span=self.span(meta))

    def specimen_is_not(self, meta: Meta, parts: list[Token]) -> tree.Not:
        return self._not(meta, self.specimen_is(meta, parts))

    def attribute_is(self, meta: Meta, parts: list[Token]) -> tree.AttributeIs:
        name, value = parts
        return tree.AttributeIs(str(name), unquoted(value), span=self.span(meta))

    def attribute_is_not(self, meta: Meta, parts: list[Token]) -> tree.Not:
        return self._not(meta, self.attribute_is(meta, parts))

    def all_of(self, meta: Meta, parts: list[Any]) -> tree.AllOf:
        flat = _flattened(tree.AllOf, parts)
        return tree.AllOf(flat, span=self.span(meta))

    def any_of(self, meta: Meta, parts: list[Any]) -> tree.AnyOf:
        flat = _flattened(tree.AnyOf, parts)
        return tree.AnyOf(flat, span=self.span(meta))

    def negation(self, meta: Meta, parts: list[Any]) -> tree.Not:
        return self._not(meta, parts[0])

    def _not(self, meta: Meta, operand: tree.Expression) -> tree.Not:
        return tree.Not(operand, span=self.span(meta))


def unquoted(token: str) -> str:
    """Return a text without its quotation marks, anything else as it is."""
    return str(token)[1:-1] if token.startswith('"') else str(token)


def labelled(token: str) -> str:
    """Return the text that stands in brackets and quotation marks at the end of a clause."""
    return unquoted(token.strip("() \t"))


def _flattened(kind: type[tree.AllOf] | type[tree.AnyOf], parts: list[Any]) -> tuple[Any, ...]:
    first, second = parts
    inside = first.parts if isinstance(first, kind) else (first,)
    return (*inside, second)
