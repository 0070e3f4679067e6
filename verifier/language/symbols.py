"""What a rule set declares, by name: tests, populations, derived results; and its catalogue."""

from collections.abc import Iterable
from dataclasses import dataclass, field
from decimal import Decimal
from typing import TypeAlias

from msgspec.structs import replace

from verifier.facts.catalogue import Catalogue, TestDefinition
from verifier.facts.units import parse_unit
from verifier.language import tree
from verifier.language.charges import charge_of
from verifier.language.conventional import check_report, presentation
from verifier.language.findings import Findings
from verifier.language.kinds import BROKEN, PLAIN, Kind, is_time, number
from verifier.language.memory import Memory
from verifier.language.reader import Reading, reserved
from verifier.language.source import Span
from verifier.language.whom import specimen_population, whom

FUNCTIONS = ("ln", "exp", "sqrt", "pow", "min", "max", "abs", "round")
HISTORIES = (
    "previous", "lowest", "highest", "median", "change", "percent change", "rate per day",
    "rate per hour",
)  # fmt: skip
_TITERS = ("titer", "titers", "titre", "titres")
_OWN_WORDS = {"earlier", "everyone", "everything", "limit", *FUNCTIONS}
Named: TypeAlias = (
    tree.Group | tree.Parameter | tree.Population | tree.Test | tree.Derive | tree.Rule
    | tree.Scenario | tree.Guarantee
)  # fmt: skip
_NAMED_APART = (tree.Rule, tree.Scenario, tree.Guarantee)  # these share no names with others


@dataclass(slots=True)
class Symbols:
    """All declared names. `broken` are names of statements that could not be read."""

    tests: dict[str, TestDefinition] = field(default_factory=dict)
    derived: dict[str, tree.Derive] = field(default_factory=dict)
    populations: dict[str, tree.Population] = field(default_factory=dict)
    rules: dict[str, tree.Rule] = field(default_factory=dict)
    groups: dict[str, tree.Group] = field(default_factory=dict)
    parameters: dict[str, tree.Parameter] = field(default_factory=dict)
    scenarios: dict[str, tree.Scenario] = field(default_factory=dict)
    guarantees: dict[str, tree.Guarantee] = field(default_factory=dict)
    limits: list[tree.Limits] = field(default_factory=list)
    kinds: dict[str, Kind] = field(default_factory=dict)
    places: dict[str, tree.Node] = field(default_factory=dict)
    broken: frozenset[str] = frozenset()
    conventional: bool = False

    def kind(self, name: str) -> Kind | None:
        """Return the kind of a test or derived result, None when there is none of that name."""
        return self.kinds.get(name) or (BROKEN if name in self.broken else None)

    def title(self, name: str) -> str:
        """Return what people call a test or derived result."""
        if name in self.tests:
            return self.tests[name].title
        return self.derived[name].title if name in self.derived else name

    def decimals(self, name: str) -> int | None:
        """Return the decimals a test or derived result is reported with."""
        if name in self.tests:
            return self.tests[name].decimals
        return self.derived[name].decimals if name in self.derived else None

    def judged(self) -> Iterable[str]:
        """Return the names rules can be `for`: tests and derived results."""
        return [*self.tests, *self.derived]

    def named_populations(self) -> list[str]:
        """Return the populations a reader can name, and ``everyone``."""
        return [*(name for name in self.populations if " " not in name), "everyone"]

    def specimens(self) -> frozenset[str]:
        """Return every specimen type that any test is measured in."""
        return frozenset(kind for test in self.tests.values() for kind in test.specimens)

    def catalogue(self) -> Catalogue:
        """Return the tests as facts are read with; derived results are never read."""
        by_code = {code: test.name for test in self.tests.values() for code in test.codes}
        return Catalogue(tests=dict(sorted(self.tests.items())), by_code=by_code)


def collect(
    reading: Reading, findings: Findings, memory: Memory, *, conventional: bool = False
) -> Symbols:
    """Collect what the statements declare and note names and codes that do not fit together.

    `conventional` says that numbers are shown in conventional units where the rules name one.
    """
    symbols = Symbols(broken=reading.broken, conventional=conventional)
    apart: dict[type, dict[str, tree.Node]] = {kind: {} for kind in _NAMED_APART}
    for declared in reading.declarations:
        if isinstance(declared, tree.Limits):
            symbols.limits.append(declared)
            continue
        places = apart.get(type(declared), symbols.places)
        if not _is_new(declared, places, findings):
            continue
        match declared:
            case tree.Test():
                _take_test(symbols, declared, findings)
            case tree.Derive():
                _take_derived(symbols, declared, findings)
            case tree.Group():
                symbols.groups[declared.name.text] = declared
            case tree.Parameter():
                _take_parameter(symbols, declared, findings)
            case tree.Population():
                symbols.populations[declared.name.text] = declared
            case tree.Rule():
                symbols.rules[declared.name.text] = declared
            case tree.Scenario():
                symbols.scenarios[declared.name.text] = declared
            case tree.Guarantee():
                symbols.guarantees[declared.name.text] = declared
    _add_specimen_populations(symbols, memory)
    _check_codes(reading, findings)
    return symbols


def _add_specimen_populations(symbols: Symbols, memory: Memory) -> None:
    """Add a population for every row with a specimen type; a name with blanks clashes with none."""
    for row in (row for limits in symbols.limits for row in limits.rows):
        made = memory.once(specimen_population, row)
        who = whom(row)
        if made and not (who and who.text not in symbols.populations):
            symbols.populations.setdefault(made.name.text, made)


def _take_parameter(symbols: Symbols, parameter: tree.Parameter, findings: Findings) -> None:
    symbols.parameters[parameter.name.text] = parameter
    unit, value = parameter.value.unit, parameter.value
    if is_time(unit):
        if not value.value > 0:
            findings.add("R209", value.span, "a time is more than nothing", fix="3 days")
    elif unit is not None and number(unit) is None:
        note_unknown_unit(value.span, unit, findings)
    if not parameter.source:
        findings.add(
            "R303", parameter.name.span, "this parameter has no source",
            meaning="nobody could say later where the number comes from.",
            fix='add a line: from "our procedure CHEM-014 v7"',
        )  # fmt: skip


def _is_new(
    declared: Named,
    places: dict[str, tree.Node],
    findings: Findings,
) -> bool:
    name = declared.name.text
    if not isinstance(declared, _NAMED_APART) and name in reserved() | _OWN_WORDS:
        findings.add(
            "R104",
            declared.name.span,
            f"{name!r} is a word of the language",
            fix=f"choose another name, such as {name}_1",
        )
        return False
    before = places.get(name)
    if before is not None:
        findings.add(
            "R206",
            declared.name.span,
            f"{name!r} is declared twice",
            meaning="tests, groups, derived results, populations and parameters share their names.",
            fix="rename one of the two",
            related=[before.span],
        )
        return False
    places[name] = declared.name
    return True


def _take_test(symbols: Symbols, test: tree.Test, findings: Findings) -> None:
    name, molar_mass = test.name.text, _molar_mass(test.molar_mass, findings)
    kind = _kind_of(test.unit, molar_mass, findings)
    if kind.is_titer and (test.molar_mass or test.index or test.decimals is not None):
        findings.add(
            "R211", test.name.span, "a titer has no decimals, no molar mass and is no index",
            meaning="it is a dilution such as 1:160.", fix="delete the other line",
        )  # fmt: skip
    kind = _with_presentation(symbols, kind, test.conventional, findings)
    symbols.kinds[name] = kind
    symbols.tests[name] = TestDefinition(
        name=name,
        title=test.title,
        codes=tuple((code.system, code.code) for code in test.codes),
        specimens=tuple(sorted(test.specimens)),
        unit="" if kind.is_titer else kind.unit,
        decimals=test.decimals,
        molar_mass=molar_mass,
        charge=charge_of(test.codes),
        kind="titer" if kind.is_titer else "index" if test.index else "quantity",
        controlled=test.controlled,
        present=kind.present,
    )


def _take_derived(symbols: Symbols, item: tree.Derive, findings: Findings) -> None:
    symbols.derived[item.name.text] = item
    kind = _kind_of(item.unit, _molar_mass(item.molar_mass, findings), findings)
    check_report(item, kind, findings)
    kind = _with_presentation(symbols, kind, item.conventional, findings)
    symbols.kinds[item.name.text] = kind


def _with_presentation(
    symbols: Symbols, kind: Kind, clause: tree.Conventional | None, findings: Findings
) -> Kind:
    """Return a kind that is shown in the conventional unit, if the site wants that."""
    present = presentation(clause, kind, findings)
    return replace(kind, present=present) if symbols.conventional and present else kind


def _molar_mass(amount: tree.Amount | None, findings: Findings) -> Decimal | None:
    if amount is None:
        return None
    if parse_unit(amount.unit or "") == "g/mol" and amount.value > 0:
        return amount.value
    findings.add(
        "R203", amount.span, "a molar mass is in g/mol", fix="molar mass 180.156 g/mol"
    )  # fmt: skip
    return None


def _kind_of(unit: tree.Word | None, molar_mass: Decimal | None, findings: Findings) -> Kind:
    if unit is None:
        return PLAIN
    found = number(unit.text, molar_mass)
    if found is None:
        note_unknown_unit(unit.span, unit.text, findings)
    return found or BROKEN


def note_unknown_unit(span: Span, unit: str, findings: Findings) -> None:
    """Note a unit that is not UCUM and not among the common spellings."""
    bare = unit.rstrip(";.:")  # a sign that was meant to end the clause
    fix = f"write {bare}" if bare != unit and parse_unit(bare) else "write the unit in UCUM"
    findings.add(
        "R202",
        span,
        f"{unit!r} is not a unit",
        meaning="units are UCUM and case sensitive: mmol/L, umol/L, g/L, mg/dL, U/L, %, {index}.",
        fix="a test of dilutions has the line `titer`, no unit" if unit in _TITERS else fix,
    )


def _check_codes(reading: Reading, findings: Findings) -> None:
    seen: dict[tuple[str, str], tree.Code] = {}
    for declared in reading.declarations:
        codes = declared.codes if isinstance(declared, tree.Test) else ()
        if isinstance(declared, tree.Derive) and declared.report:
            codes = (declared.report,)
            if declared.conventional_report:
                codes = (declared.report, declared.conventional_report)
        for code in codes:
            before = seen.setdefault((code.system, code.code), code)
            if before is not code:
                findings.add(
                    "R207",
                    code.span,
                    f"the code {code.code} is used twice",
                    meaning="a message with this code could not be told apart.",
                    fix="give the code to one of them only",
                    related=[before.span],
                )
            elif code.system == "LN" and (right := check_digit(code.code)) != code.code[-1]:
                findings.add(
                    "R207",
                    code.span,
                    f"{code.code} is not a LOINC code: its check digit would be {right}",
                    meaning="a digit is mistyped.",
                    fix="look the code up again",
                )


def check_digit(code: str) -> str:
    """Return the check digit a LOINC code must end with (LOINC Users' Guide, mod 10)."""
    digits = code.split("-")[0][::-1]
    doubled = (
        int(digit) * 2 if place % 2 == 0 else int(digit) for place, digit in enumerate(digits)
    )
    return str(-sum(value // 10 + value % 10 for value in doubled) % 10)
