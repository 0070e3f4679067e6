"""What surrounds a measurement: what the analyzer measured before it, and its control state."""

from __future__ import annotations

from collections.abc import Callable
from decimal import Decimal
from typing import TYPE_CHECKING

from verifier.facts.preceding import BOUND
from verifier.facts.values import TITER, Between, Number, Titer, TiterBetween
from verifier.facts.verdicts import Fact
from verifier.language import tree
from verifier.language.facttexts import number_text
from verifier.language.kinds import TRUTH
from verifier.language.scene import Quantity, Scene
from verifier.language.screen import Read
from verifier.language.truth import Missing, Truth, Unknown
from verifier.language.typed import FactOf, Typed, broken

if TYPE_CHECKING:
    from verifier.language.expressions import Expressions, Where


class Surroundings:
    """The part of the walk over expressions that looks around the result."""

    def __init__(self, expressions: Expressions) -> None:
        self._all = expressions
        self._findings, self._symbols = expressions.findings, expressions.symbols

    def preceding(self, node: tree.Preceding, where: Where) -> Typed:
        subject: tree.Expression = (
            tree.Name(node.test, span=node.span) if node.test else tree.TheResult(span=node.span)
        )
        current, name = self._all.typed(subject, where), node.test or where.test
        if current.broken:
            return current
        if name not in self._symbols.tests:
            self._findings.add(
                "R209", node.span, "an analyzer measures tests, nothing else",
                fix="preceding(potassium)",
            )  # fmt: skip
            return broken(node.span)
        self._all.reach.preceding.add(name)
        kind, title = self._symbols.kinds[name], self._symbols.title(name)
        run = _preceding_run(name, title, kind.is_titer)
        fact = _preceding_fact(name, title, run, self._symbols.decimals(name), kind.unit)
        return Typed(
            node.span, kind, run, f"preceding {title}", (fact,),
            frozenset({f"the preceding {name}"}), sketch=Read(("preceding", name), run, Decimal),
        )  # fmt: skip

    def control(self, node: tree.ControlIs, where: Where) -> Typed:
        operand = self._all.typed(node.operand, where)
        if operand.broken:
            return operand
        name = where.test if isinstance(node.operand, tree.TheResult) else ""
        name = node.operand.name if isinstance(node.operand, tree.Name) else name
        if name not in self._symbols.kinds:
            self._findings.add("R205", node.span, "a control state belongs to a test or `result`")
            return broken(node.span)
        test, inside = self._symbols.tests.get(name), node.state == "in control"
        if test is None or not test.controlled:
            if isinstance(node.operand, tree.Name):
                why = "is uncontrolled" if test else "is worked out"
                self._findings.add(
                    "R305", node.span, f"{name} {why}: it has no control state", severity="warning",
                    meaning=f"this is {'always' if inside else 'never'} true.",
                    fix="name a test that is measured and has controls",
                )  # fmt: skip
            return Typed(node.span, TRUTH, lambda scene: inside, constant=inside)
        run, label = _control_run(name, test.title, node.state), f"control of {test.title}"
        fact = FactOf(label, lambda scene: Fact(label, scene.case.quality.get(name, "unknown")))
        sketch = Read(("control", name, node.state), run, bool)
        missing = frozenset({f"the control state of {name}"})
        return Typed(node.span, TRUTH, run, label, (fact,), missing, sketch=sketch)


# --- the specimen before ---


def _preceding_run(name: str, title: str, titer: bool) -> Callable[[Scene], Quantity]:
    hours = int(BOUND.total_seconds()) // 3600
    text = f"no {title} of another patient is known from this analyzer in the {hours} hours before"
    none = Unknown(Missing(f"preceding {name}", "no preceding", text))
    text = f"the preceding {title} is not a number"
    odd = Unknown(Missing(f"preceding {name}", "unreadable", text))

    def run(scene: Scene) -> Quantity:
        item = scene.case.preceding.get(name)
        if item is None:
            return none
        value = item.value
        if isinstance(value, Titer | TiterBetween) is not titer:
            return odd
        if isinstance(value, Number):
            return value.value
        return value if isinstance(value, Between) else odd

    return run


def _preceding_fact(
    name: str, title: str, run: Callable[[Scene], Quantity], decimals: int | None, unit: str
) -> FactOf:
    label = f"preceding {title}"

    def show(scene: Scene) -> Fact:
        item = scene.case.preceding.get(name)
        if item is None:
            return Fact(label, "none")
        value, of = number_text(run(scene), decimals, unit), "" if unit == TITER else unit
        origin = f"specimen {item.specimen or 'not identified'} on {item.analyzer}"
        return Fact(label, value, of, item.measured, origin)

    return FactOf(label, show)


# --- control state ---


def _control_run(name: str, title: str, wanted: str) -> Callable[[Scene], Truth]:
    text = f"the control state of {title} is not known"
    unknown = Unknown(Missing(f"control of {name}", "no control", text))

    def run(scene: Scene) -> Truth:
        state = scene.case.quality.get(name, "unknown")
        return unknown if state == "unknown" else state == wanted

    return run
