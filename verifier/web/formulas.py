"""The formula of a derived result with what it was worked out from, as the rules write it."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TypeVar

from verifier.facts.ages import age_range, calendar_day
from verifier.facts.case import Case
from verifier.language import tree
from verifier.language.derived import names_in
from verifier.language.program import Program
from verifier.language.scene import shown
from verifier.language.spelled import spelled
from verifier.web.catalogue import say

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Input:
    """A result the formula reads, in the unit of its test, derived ones before rounding."""

    title: str
    value: str
    unit: str


@dataclass(frozen=True, slots=True)
class Written:
    """An expression as the rules write it, and with the numbers of this specimen in it."""

    name: str
    text: str
    filled: str


@dataclass(frozen=True, slots=True)
class Formula:
    """A formula after its intermediate `steps`. `conditions` say when the result applies."""

    steps: Sequence[Written]
    whole: Written
    inputs: Sequence[Input]
    conditions: Sequence[str]
    whom: str
    decimals: int | None
    source: str


def formula_of(program: Program, test: str, case: Case | None) -> Formula | None:
    """Return the formula of a derived result; None where the rules in use have none."""
    item = _formulas(program).get(test)
    if item is None:
        return None
    amounts = _amounts(program, item, case) if case else {}
    return Formula(
        [_written(let.name.text, let.value, amounts) for let in item.lets],
        _written("", item.formula, amounts),
        [
            *(Input(program.named(n)[0], shown(a.value), a.unit or "") for n, a in amounts.items()),
            *(_of_person(item, case) if case else ()),
        ],
        [f"{spelled(gate.condition)} ({gate.reason})" for gate in item.only_when],
        item.population.text.replace("_", " ") if item.population else "",
        item.decimals,
        item.source,
    )


def _formulas(program: Program) -> dict[str, tree.Derive]:
    return {one.name.text: one for one in program.statements if isinstance(one, tree.Derive)}


def _amounts(program: Program, item: tree.Derive, case: Case) -> dict[str, tree.Amount]:
    """Return the numbers a formula reads, by name; what is censored or missing is left a name."""
    scene, formulas = program.scene(case), _formulas(program)
    parts = (tuple(let.value for let in item.lets), item.formula)
    found = {}
    for name in sorted({*names_in(parts)}):
        if name not in program.catalogue.tests and name not in formulas:
            continue  # a name of the formula's own, or a parameter
        value = scene.values[name]
        value = scene.exact.get(name, value)
        if isinstance(value, Decimal):
            found[name] = tree.Amount(value, program.named(name)[1].unit or None, span=item.span)
    return found


def _of_person(item: tree.Derive, case: Case) -> Iterator[Input]:
    """Yield what a formula reads of the person: age on the day of collection, sex."""
    parts = list(_parts_of((tuple(let.value for let in item.lets), item.formula)))
    person = case.patient
    if any(isinstance(part, tree.Age) for part in parts):
        collected = case.specimen.collected
        day = calendar_day(collected) if collected else case.now.date()
        years = age_range(person.birth, day, "years") if person and person.birth else None
        yield Input(
            say("Age"), "–".join(str(one) for one in sorted(set(years or ()))), say("years")
        )
    if any(isinstance(part, tree.SexIs) for part in parts):
        yield Input(say("Sex"), person.sex if person and person.sex else say("not known"), "")


def _parts_of(node: object) -> Iterator[object]:
    if isinstance(node, tuple):
        for part in node:
            yield from _parts_of(part)
    elif isinstance(node, tree.Node):
        yield node
        for name in node.__dataclass_fields__:
            yield from _parts_of(getattr(node, name))


def _written(name: str, node: tree.Expression, amounts: Mapping[str, tree.Amount]) -> Written:
    text, filled = spelled(node), spelled(_filled(node, amounts))
    return Written(name, text, filled if filled != text else "")


def _filled(node: T, amounts: Mapping[str, tree.Amount]) -> T:
    """Return an expression with numbers in place of the names they belong to."""
    if isinstance(node, tree.Name) and node.name in amounts:
        amount = amounts[node.name]
        return replace(amount, value=Decimal(shown(amount.value)))  # type: ignore[return-value]
    if isinstance(node, tuple):
        return tuple(_filled(part, amounts) for part in node)  # type: ignore[return-value]
    if not isinstance(node, tree.Node):
        return node
    parts = {name: getattr(node, name) for name in node.__dataclass_fields__}
    return replace(node, **{name: _filled(part, amounts) for name, part in parts.items()})
