"""Cases aimed at the numbers of conditions that work something out: derived results, changes."""

from collections.abc import Iterator, Sequence
from datetime import timedelta
from decimal import Decimal

from msgspec.structs import replace

from verifier.assurance.grid import around, number, step_of
from verifier.assurance.persons import SOMEBODY, nodes
from verifier.assurance.solving import given_for, usual
from verifier.facts.catalogue import TestDefinition
from verifier.language import kinds, tree
from verifier.language.program import Program
from verifier.language.scenarios import ScenarioStep

_DAY = timedelta(days=1)
_TIMES = (1, 2, 4, 10)  # the usual value, as an earlier one: small steps show beside large values
_MOST_AMOUNTS = 6


def at_derived(program: Program, about: Sequence[tree.Declaration]) -> Iterator[ScenarioStep]:
    """Yield cases in which a derived result lies beside a number it is compared with."""
    derived = {item.name.text for item in program.statements if isinstance(item, tree.Derive)}
    for node in (node for item in about for node in nodes(item, tree.Compare)):
        if isinstance(node.left, tree.Name) and node.left.name in derived:
            for amount in nodes(node.right, tree.Amount):
                for _, value in around(amount.value, program.decimals(node.left.name)):
                    step = given_for(program, node.left.name, value, SOMEBODY)
                    if step:
                        yield step


def against_past(
    program: Program, about: Sequence[tree.Declaration], tests: Sequence[str]
) -> Iterator[ScenarioStep]:
    """Yield cases whose result differs from an earlier one by a number that is compared with.

    By so much, so many percent, so many times, up and down, and one step more and less.
    """
    looking = (tree.History, tree.ChangedTooMuch, tree.ChangeRow)
    if not any(True for item in about for kind in looking for _ in nodes(item, kind)):
        return
    for test in tests[:2]:
        known = program.catalogue.tests[test]
        amounts = [a for a in nodes(list(about), tree.Amount) if not kinds.is_time(a.unit or "")]
        for amount in list(dict.fromkeys((a.value, a.unit) for a in amounts))[:_MOST_AMOUNTS]:
            yield from _moved(program, known, *amount)


def _moved(
    program: Program, known: TestDefinition, value: Decimal, unit: str | None
) -> Iterator[ScenarioStep]:
    fine = step_of(usual(program, known.name), known.decimals)
    for times in _TIMES:
        earlier = (usual(program, known.name) * times).quantize(fine)
        for result in _targets(known, earlier, value, unit):
            for beside in (result, result + fine, result - fine):
                if beside >= 0:
                    yield replace(
                        SOMEBODY,
                        results=((known.name, number(beside.quantize(fine), known)),),
                        earlier=((known.name, number(earlier, known), _DAY),),
                    )


def _targets(
    known: TestDefinition, earlier: Decimal, value: Decimal, unit: str | None
) -> list[Decimal]:
    if known.kind == "titer" or unit is None:
        return [earlier * value]
    if unit == "%":
        return [earlier * (100 + value) / 100, earlier * (100 - value) / 100]
    written = kinds.number(unit.removesuffix("/d").removesuffix("/h"))
    wanted = kinds.number(known.unit, known.molar_mass) if known.unit else None
    factor = kinds.ratio(written, wanted) if written and wanted else None
    if factor is None:
        return []
    most = value * factor.numerator / factor.denominator
    return [earlier + most, earlier - most]
