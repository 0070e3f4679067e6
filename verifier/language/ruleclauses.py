"""Assembles rules from their clauses."""

from typing import Any

from lark import Token
from lark.tree import Meta
from lark.visitors import v_args

from verifier.language import tree
from verifier.language.builder import labelled, unquoted
from verifier.language.statements import Clause, StatementBuilder

_HOLD_EXAMPLE = "hold when result is critical"
_BECAUSE_EXAMPLE = 'because "{test} {result} is beyond the critical limit {limit}"'


@v_args(meta=True)
class RuleBuilder(StatementBuilder):
    """Adds rules to the statements that can be built."""

    def rule(self, meta: Meta, parts: list[Any]) -> tree.Rule | None:
        name = self.word(parts[0])
        clauses = self._clauses(name, parts)
        condition = clauses.need("hold when", _HOLD_EXAMPLE)
        because = clauses.need("because", _BECAUSE_EXAMPLE)
        if condition is None or because is None:
            return None
        scope, held, when = condition
        tests, excluded = parts[1] or ((), ())
        return tree.Rule(
            name=name,
            tests=tests,
            excluded=excluded,
            scope=scope,
            held=held,
            condition=when,
            unknown=clauses.one("when unknown"),
            exceptions=tuple(clauses.many("except")),
            because=because,
            wait=clauses.one("wait"),
            effects=tuple(clauses.many("effect")),
            orders=tuple(word for words in clauses.many("order") for word in words),
            source=clauses.one("from", ""),
            span=self.span(meta),
        )

    def every_test(self, meta: Meta, parts: list[Any]) -> tuple[None, Any]:
        return None, parts[0] or ()

    def for_tests(self, meta: Meta, parts: list[Any]) -> tuple[Any, tuple[()]]:
        return parts[0], ()

    def excluded(self, meta: Meta, parts: list[Any]) -> Any:
        return parts[0]

    # A rule has one condition, behind `hold when`, `hold specimen when`, `hold … when` or `when`.

    def hold_result(self, meta: Meta, parts: list[Any]) -> Clause:
        return self._clause("hold when", ("result", (), parts[0]), meta)

    def hold_specimen(self, meta: Meta, parts: list[Any]) -> Clause:
        return self._clause("hold when", ("specimen", (), parts[0]), meta)

    def hold_patient(self, meta: Meta, parts: list[Any]) -> Clause:
        return self._clause("hold when", ("patient", (), parts[0]), meta)

    def hold_tests(self, meta: Meta, parts: list[Any]) -> Clause:
        return self._clause("hold when", ("tests", *parts), meta)

    def when(self, meta: Meta, parts: list[Any]) -> Clause:
        return self._clause("hold when", ("nothing", (), parts[0]), meta)

    def when_unknown(self, meta: Meta, parts: list[str]) -> Clause:
        return self._clause("when unknown", parts[0], meta)

    def choice(self, meta: Meta, parts: list[Token]) -> str:
        return str(parts[0])

    def exception(self, meta: Meta, parts: list[Any]) -> Clause:
        condition, label = parts
        made = tree.Exemption(condition, labelled(label), span=self.span(meta))
        return self._clause("except", made, meta)

    def because(self, meta: Meta, parts: list[Token]) -> Clause:
        return self._clause("because", self.word(parts[0]), meta)

    def wait(self, meta: Meta, parts: list[Any]) -> Clause:
        limit = self.amount_or_name(parts[0])
        return self._clause("wait", tree.Wait(limit, parts[1], span=self.span(meta)), meta)

    def flag(self, meta: Meta, parts: list[Token]) -> Clause:
        return self._effect("flag", unquoted(parts[0]), meta)

    def comment(self, meta: Meta, parts: list[Token]) -> Clause:
        return self._effect("comment", unquoted(parts[0]), meta)

    def suppress(self, meta: Meta, parts: list[Token]) -> Clause:
        return self._effect("suppress", unquoted(parts[0]), meta)

    def order(self, meta: Meta, parts: list[tuple[tree.Word, ...]]) -> Clause:
        return self._clause("order", parts[0], meta)

    def ask(self, meta: Meta, parts: list[str]) -> Clause:
        return self._effect("ask", parts[0], meta)

    def request(self, meta: Meta, parts: list[Token]) -> str:
        return " ".join(parts)

    def call(self, meta: Meta, parts: list[Any]) -> Clause:
        who, within = str(parts[0]), self.amount_or_name(parts[1])
        return self._clause("effect", tree.Effect("call", who, within, span=self.span(meta)), meta)

    def _effect(self, what: str, text: str, meta: Meta) -> Clause:
        return self._clause("effect", tree.Effect(what, text, span=self.span(meta)), meta)
