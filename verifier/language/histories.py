"""Checks and compiles what is said of earlier results: previous, lowest, change, rate per day …"""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from verifier.language import earlier, kinds, titers, tree
from verifier.language.facttexts import past_fact, summary_fact
from verifier.language.kinds import DAY, HOUR, PERCENT, Kind
from verifier.language.scene import Scene
from verifier.language.screen import Read
from verifier.language.spelled import spelled
from verifier.language.symbols import HISTORIES
from verifier.language.typed import Typed, broken

if TYPE_CHECKING:
    from verifier.language.expressions import Expressions, Where

_EACH = {"rate per day": ("day", DAY), "rate per hour": ("hour", HOUR)}
_OF_TWO = ("change", "percent change", *_EACH)  # these rest on the result of today as well
_OF_MANY = ("lowest", "highest", "median")
_OF_TITERS = ("previous", "lowest", "highest")
_EXAMPLE = "previous(potassium within 7 days)"


class Histories:
    """The part of the walk over expressions that looks back."""

    def __init__(self, expressions: Expressions) -> None:
        self._all = expressions

    def typed(self, node: tree.History, where: Where) -> Typed:
        function = node.function
        if function not in HISTORIES:
            self._all.findings.unknown_name(
                node.span, function, HISTORIES, "function with a window"
            )
            return broken(node.span)
        subject: tree.Expression = (
            tree.Name(node.test, span=node.span) if node.test else tree.TheResult(span=node.span)
        )
        current, window = self._all.typed(subject, where), self._all.numeric.period(node.window)
        if current.broken or window is None:
            return broken(node.span)
        name = node.test or where.test
        if name not in self._all.symbols.kinds:
            self._all.findings.add(
                "R209", node.span, "only tests and derived results have a past", fix=_EXAMPLE
            )
            return broken(node.span)
        self._all.reach.windows.add(window)
        kind, title = self._all.symbols.kinds[name], self._all.symbols.title(name)
        if function not in _OF_TITERS and kind.is_titer:
            titers.worked([current], function, node.span, self._all.findings)
            return broken(node.span)
        within = spelled(self._all.amount_of(node.window) or node.window)
        past = earlier.Past(name, title, kind.unit, window, within)
        words = spelled(node)
        of_test = kind
        run, kind = _history_run(function, past, current, kind, words)
        decimals = self._all.symbols.decimals(name)
        shown = past_fact(past, title, decimals, of_test)
        if function in _OF_MANY:
            shown = summary_fact(past, function, run, title, decimals, of_test)
        missing = frozenset({f"an earlier {name} within {within}"})
        given = self._all.parameter_facts(node.window)
        if function not in _OF_TWO:
            sketch = Read(("past", name, words), run, Decimal, worked=function == "median")
            return Typed(node.span, kind, run, words, (shown, *given), missing, sketch=sketch)
        facts = (*current.facts, shown, *given)
        return Typed(node.span, kind, run, words, facts, missing | current.missing)


def _history_run(
    function: str, past: earlier.Past, current: Typed, kind: Kind, words: str
) -> tuple[Callable[[Scene], Any], Kind]:
    if function == "change":
        return earlier.change(current.run, past.previous, words), kind
    if function == "percent change":
        return earlier.percent_change(current.run, past.previous, words), PERCENT
    if function in _EACH:
        each, time = _EACH[function]
        return earlier.rate(current.run, past, each, words), kinds.product(kind, time, -1)
    runs = {
        "previous": past.previous,
        "lowest": past.lowest,
        "highest": past.highest,
        "median": past.median,
    }
    return runs[function], kind
