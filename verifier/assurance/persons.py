"""Finds a patient and a specimen for a population, simple ones first."""

from collections.abc import Iterator
from dataclasses import fields, is_dataclass
from datetime import timedelta
from decimal import Decimal
from functools import cached_property
from itertools import product
from typing import TypeVar

from msgspec.structs import replace

from verifier.assurance.cases import case_of
from verifier.assurance.grid import number
from verifier.assurance.solving import given_for
from verifier.facts.ages import Span
from verifier.language import kinds, tree
from verifier.language.program import Program
from verifier.language.scenarios import ScenarioStep

SOMEBODY = ScenarioStep(timedelta(0), (), sex="F", age=(40, "years"))
_MOST = 5000  # patients tried
_OTHER = "another"

Found = TypeVar("Found", bound=tree.Node)


class Persons:
    """The patients that the conditions of a rule set can tell apart, as what a scenario gives."""

    def __init__(self, program: Program) -> None:
        self._program = program
        self._found: dict[str, ScenarioStep | None] = {}

    def of(self, population: str) -> ScenarioStep | None:
        """Return somebody for whom a population is true ("" is everybody), None if none is found.

        A specimen type or an attribute is only given where the population asks for it.
        """
        if population not in self._found:
            self._found[population] = self._look(population)
        return self._found[population]

    def with_value(self, whom: ScenarioStep, test: str, value: Decimal) -> ScenarioStep | None:
        """Return a step in which a test or derived result of somebody is exactly `value`."""
        known = self._program.catalogue.tests.get(test)
        if known is None:
            return given_for(self._program, test, value, whom)
        return replace(whom, results=((test, number(value, known)),))

    def _look(self, population: str) -> ScenarioStep | None:
        if not population:
            return SOMEBODY
        for step in self.all:
            scene = self._program.scene(case_of(self._program.catalogue, [step]))
            if scene.populations[population] is True:
                return step
        return None

    @cached_property
    def all(self) -> tuple[ScenarioStep, ...]:
        """Everybody, the simplest first."""
        return tuple(step for step, _ in zip(self._every(), range(_MOST), strict=False))

    def _every(self) -> Iterator[ScenarioStep]:
        statements = self._program.statements
        types = sorted({node.type for node in nodes(statements, tree.SpecimenIs)} | self._in_rows())
        stated: dict[str, set[str]] = {}
        for node in nodes(statements, tree.AttributeIs):
            stated.setdefault(node.attribute, set()).add(node.value)
        choices = [["", *sorted(values), _OTHER] for values in stated.values()]
        for said in product(*choices):
            attributes = tuple((n, v) for n, v in zip(stated, said, strict=True) if v)
            for kind, age, sex in product(["", *types], self._ages(), "FM"):
                yield replace(SOMEBODY, attributes=attributes, specimen=kind, age=age, sex=sex)

    def _in_rows(self) -> set[str]:
        limits = [item for item in self._program.statements if isinstance(item, tree.Limits)]
        return {row.specimen.text for item in limits for row in item.rows if row.specimen}

    def _ages(self) -> list[tuple[int, Span]]:
        """Return an age on either side of every age that is compared with."""
        found: dict[tuple[int, Span], None] = {(40, "years"): None}
        for node in nodes(self._program.statements, tree.Compare):
            amount = node.right
            if not isinstance(node.left, tree.Age) or not isinstance(amount, tree.Amount):
                continue
            unit = "years" if node.left.in_years else kinds.singular(amount.unit or "")
            span = kinds.SPANS.get(unit, "years")
            count = int(amount.value)
            found |= {(n, span): None for n in (count, count - 1) if n >= 0}
        return list(found)


def nodes(inside: object, kind: type[Found]) -> Iterator[Found]:
    """Yield every node of a kind in statements, conditions or expressions."""
    waiting = [inside]
    while waiting:
        part = waiting.pop()
        if isinstance(part, kind):
            yield part
        if isinstance(part, tuple | list):
            waiting += part
        elif is_dataclass(part):
            waiting += [getattr(part, field.name) for field in fields(part)]
