"""Derived results and populations: formulas by name, with circles found before they can run."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from decimal import Decimal, DecimalException
from typing import NamedTuple

from verifier.language import titers, tree
from verifier.language.comparing import Test
from verifier.language.expressions import Expressions, Where
from verifier.language.kinds import Kind, ratio, shown
from verifier.language.numeric import rounding
from verifier.language.reuse import Reuse
from verifier.language.scene import Quantity, Scene
from verifier.language.truth import Missing, Unknown, merged
from verifier.language.typed import Typed, broken, scaled


class Gate(NamedTuple):
    """What must hold for a derived result to apply, and the unknown it is otherwise."""

    test: Test
    closed: Unknown


@dataclass(frozen=True, slots=True)
class CompiledFormula:
    """One derived result: `inputs` are the measured tests it may rest on."""

    name: str
    title: str
    unit: str
    decimals: int | None
    report: tuple[str, str] | None
    inputs: tuple[str, ...]
    run: Callable[[Scene], Quantity]
    rounded: Callable[[Decimal], Decimal]
    gates: tuple[Gate, ...]
    kind: Kind

    def work(self, scene: Scene) -> Quantity:
        """Return the value as rules see it; the exact one is kept for other formulas."""
        closed = self._closed(scene) if self.gates else None
        if closed is not None:
            return closed
        value = self.run(scene)
        scene.exact[self.name] = value
        if not isinstance(value, Decimal):
            return value
        try:
            return self.rounded(value)
        except DecimalException:  # more digits before the point than numbers are kept with
            text = f"{self.title} can not be computed"
            return Unknown(Missing(self.name, "not computable", text))

    def _closed(self, scene: Scene) -> Unknown | None:
        """Return why the result does not apply, or can not be told to; None where it applies."""
        truths = [(gate.test(scene), gate) for gate in self.gates]
        shut = [gate.closed for truth, gate in truths if truth is False]
        open_ended = [truth for truth, _ in truths if isinstance(truth, Unknown)]
        return merged(*(shut or open_ended)) if shut or open_ended else None


def names_in(node: object) -> Iterator[str]:
    """Yield every name an expression speaks of."""
    for part in _parts_of(node):
        if isinstance(part, tree.Name):
            yield part.name
        elif isinstance(part, tree.History | tree.Preceding) and part.test:
            yield part.test


def speaks_of_result(node: object) -> bool:
    """Return whether an expression means another thing for another test."""
    return any(
        isinstance(part, tree.TheResult)
        or (isinstance(part, tree.History | tree.Preceding) and part.test is None)
        for part in _parts_of(node)
    )


def _parts_of(node: object) -> Iterator[object]:
    waiting = [node]
    while waiting:
        part = waiting.pop()
        if isinstance(part, tuple):
            waiting += part
        elif isinstance(part, tree.Node):
            yield part
            waiting += [getattr(part, name) for name in part.__dataclass_fields__]


def _needed(item: tree.Derive) -> frozenset[str]:
    return frozenset(names_in((item.formula, item.lets, item.only_when)))


def _asked(population: tree.Population) -> frozenset[str]:
    return frozenset(names_in(population.condition))


class Formulas:
    """Compiles derived results and populations."""

    def __init__(self, expressions: Expressions, reuse: Reuse) -> None:
        self._all, self._reuse = expressions, reuse
        self._symbols, self._findings = expressions.symbols, expressions.findings
        self._needs = {
            name: reuse.memory.once(_needed, item) for name, item in self._symbols.derived.items()
        }

    def populations(self) -> dict[str, Test]:
        """Return the condition of every population."""
        populations = self._symbols.populations
        needs = {name: self._reuse.memory.once(_asked, p) for name, p in populations.items()}
        self._note_circles(needs, {name: p.name for name, p in populations.items()})
        return {name: self._population(p) for name, p in populations.items()}

    def _population(self, population: tree.Population) -> Test:
        where = Where(patient_only=True)
        return self._reuse.of(
            "population", population, "", lambda: self._all.truth(population.condition, where).run
        )

    def compiled(self) -> dict[str, CompiledFormula]:
        """Return every derived result."""
        self._note_circles(self._needs, {n: d.name for n, d in self._symbols.derived.items()})
        made = (self._compiled(item) for item in self._symbols.derived.values())
        return {item.name: item for item in made if item}

    def _compiled(self, item: tree.Derive) -> CompiledFormula | None:
        inputs = tuple(sorted(self._inputs(item.name.text)))  # names in other formulas count there
        return self._reuse.of(("formula", inputs), item, "", lambda: self._formula(item, inputs))

    def _note_circles(self, needs: dict[str, frozenset[str]], places: dict[str, tree.Word]) -> None:
        for name, word in sorted(places.items()):
            seen: set[str] = set()
            waiting = list(needs[name])
            while waiting:
                other = waiting.pop()
                if other not in seen:
                    seen.add(other)
                    waiting += needs.get(other, ())
            if name in seen:
                self._findings.add(
                    "R208", word.span, f"{name} rests on itself",
                    meaning="its value could never be worked out.", fix="break the circle",
                )  # fmt: skip

    def _formula(self, item: tree.Derive, inputs: tuple[str, ...]) -> CompiledFormula | None:
        name = item.name.text
        if item.population and item.population.text not in self._symbols.populations:
            self._missing_population(item.population)
        lets: dict[str, Typed] = {}
        for let in item.lets:
            self._check_let(let, lets)
            lets[let.name.text] = self._all.quantity(let.value, Where(lets=dict(lets), exact=True))
        formula = self._all.quantity(item.formula, Where(lets=lets, exact=True))
        gates = self._gates(item, lets)
        if not item.source:
            self._findings.add(
                "R405", item.name.span, "this formula has no source", severity="warning",
                fix='add a line: from "our procedure CHEM-014 v7"',
            )  # fmt: skip
        formula = self._in_unit(item, formula)
        if formula.broken or gates is None:
            return None
        return CompiledFormula(
            name=name,
            title=item.title,
            unit=self._symbols.kinds[name].unit,
            decimals=item.decimals,
            report=_reported(item, self._symbols.kinds[name]),
            inputs=inputs,
            run=formula.run,
            rounded=(lambda value: value) if item.decimals is None else rounding(item.decimals),
            gates=gates,
            kind=self._symbols.kinds[name],
        )

    def _gates(self, item: tree.Derive, lets: dict[str, Typed]) -> tuple[Gate, ...] | None:
        """Return what the clauses `for` and `only when` ask for, None where one is wrong."""
        where = Where(lets=lets, exact=True)
        asked = [(self._all.truth(gate.condition, where), gate.reason) for gate in item.only_when]
        if any(condition.broken for condition, _ in asked):
            return None
        gates = [Gate(asking.run, _closed(item, f": {reason}")) for asking, reason in asked]
        if item.population:
            name = item.population.text
            gates.append(Gate(_belongs(name), _closed(item, " to this patient")))
        return tuple(gates)

    def _missing_population(self, word: tree.Word) -> None:
        if word.text not in self._symbols.broken:
            known = self._symbols.named_populations()
            self._findings.unknown_name(word.span, word.text, known, "population")

    def _check_let(self, let: tree.Let, lets: dict[str, Typed]) -> None:
        name = let.name.text
        if name in lets or name in self._symbols.places:
            self._findings.add(
                "R206", let.name.span, f"{name!r} is already a name",
                meaning="a reader could not tell which one is meant.", fix=f"{name}_1",
            )  # fmt: skip

    def _in_unit(self, item: tree.Derive, formula: Typed) -> Typed:
        wanted = self._symbols.kinds[item.name.text]
        if formula.broken or wanted.what == "broken" or (formula.kind.bare and wanted.takes_bare):
            return formula
        factor = None if formula.kind.bare else ratio(formula.kind, wanted)
        if factor is not None:
            return scaled(formula, factor, wanted)
        self._findings.add(
            "R203", formula.span, f"the formula gives {shown(formula.kind)}",
            meaning=f"{item.title} is declared in {shown(wanted)}.",
            fix=_unit_for(formula.kind),
        )  # fmt: skip
        return broken(formula.span)

    def _inputs(self, name: str) -> set[str]:
        found: set[str] = set()
        seen: set[str] = set()
        waiting = [name]
        while waiting:
            for other in self._needs.get(waiting.pop(), ()):
                if other in self._symbols.tests:
                    found.add(other)
                elif other not in seen:
                    seen.add(other)
                    waiting.append(other)
        return found


def _belongs(population: str) -> Test:
    return lambda scene: scene.populations[population]


def _closed(item: tree.Derive, words: str) -> Unknown:
    text = f"{item.title} does not apply{words}"
    return Unknown(Missing(item.name.text, "not applicable", text))


def _reported(item: tree.Derive, kind: Kind) -> tuple[str, str] | None:
    """Return the code a derived result is reported under, in the unit the site is shown."""
    code = (item.conventional_report if kind.present else None) or item.report
    return (code.system, code.code) if code else None


def _unit_for(kind: Kind) -> str:
    if kind.is_titer:
        return titers.FOLD
    return f"unit {kind.unit}" if kind.unit else "write units in the formula"
