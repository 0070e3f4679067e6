"""What the names of a checked rule set stand for."""

from collections.abc import Iterable, Mapping

from verifier.assurance.persons import nodes
from verifier.language import tree
from verifier.language.derived import names_in
from verifier.language.kinds import Kind
from verifier.language.program import Program
from verifier.language.whom import population_of

WITHOUT_FORMULA = frozenset({"ln", "exp", "sqrt", "pow"})


class Names:
    """The statements of a rule set by name."""

    def __init__(self, program: Program) -> None:
        self.program, self.tests = program, program.catalogue.tests
        found = program.statements
        self.derived = {d.name.text: d for d in found if isinstance(d, tree.Derive)}
        self.parameters = {d.name.text: d for d in found if isinstance(d, tree.Parameter)}
        self.rules = {d.name.text: d for d in found if isinstance(d, tree.Rule)}
        self.populations: Mapping[str, tree.Expression] = self._populations()
        self.specimens = sorted({kind for test in self.tests.values() for kind in test.specimens})
        self.reported = [name for name, item in self.derived.items() if item.report]

    def kind(self, name: str) -> Kind:
        """Return the kind of number of a test or derived result."""
        return self.program.named(name)[1]

    def _populations(self) -> dict[str, tree.Expression]:
        found = self.program.statements
        named = {d.name.text: d.condition for d in found if isinstance(d, tree.Population)}
        for row in self._rows():
            if row.specimen is None:
                continue
            parts: list[tree.Expression] = [tree.SpecimenIs(row.specimen.text, span=row.span)]
            who = row.population.text if row.population else "everyone"
            if who != "everyone":
                parts.append(tree.Name(who, span=row.span))
            named.setdefault(population_of(row), tree.AllOf(tuple(parts), span=row.span))
        return named

    def _rows(self) -> Iterable[tree.Row | tree.ChangeRow]:
        for item in self.program.statements:
            if isinstance(item, tree.Limits):
                yield from item.rows

    def functions_in(self, condition: tree.Expression) -> tuple[str, ...]:
        """Return the functions without a formula that a condition asks, itself or in a result."""
        waiting, seen, found = [condition], set[str](), set[str]()
        while waiting:
            part = waiting.pop()
            found |= {call.function for call in nodes(part, tree.Call)} & WITHOUT_FORMULA
            new = {*names_in(part)} & self.derived.keys() - seen
            seen |= new
            for item in (self.derived[name] for name in new):
                waiting += [item.formula, *(let.value for let in item.lets)]
                waiting += [gate.condition for gate in item.only_when]
        return tuple(sorted(found))

    def amount(self, node: tree.Expression) -> tree.Amount | None:
        """Return a number as written or as a parameter has it, None for anything else."""
        if isinstance(node, tree.Name):
            found = self.parameters.get(node.name)
            return found.value if found else None
        return node if isinstance(node, tree.Amount) else None
