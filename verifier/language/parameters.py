"""Numbers a site sets in place of those the rules give, without touching a rule file."""

from collections.abc import Mapping
from dataclasses import replace

from verifier.facts.units import parse_unit
from verifier.language import kinds, titers, tree
from verifier.language.findings import Findings
from verifier.language.memory import Memory
from verifier.language.reader import read
from verifier.language.source import Source

FILE = "parameters of this site"


def site_source(values: Mapping[str, str]) -> Source:
    """Return the values of a site as a text of parameter statements, one a line."""
    lines = (f"parameter {name} = {values[name]}" for name in sorted(values))
    return Source(FILE, "\n".join(" ".join(line.split()) for line in lines))


def with_site_values(
    declarations: tuple[tree.Declaration, ...],
    source: Source,
    findings: Findings,
    memory: Memory,
) -> tuple[tree.Declaration, ...]:
    """Return the declarations with the values of the site; what does not fit is noted."""
    declared = {d.name.text: d for d in declarations if isinstance(d, tree.Parameter)}
    given: dict[str, tree.Parameter] = {}
    for item in read({FILE: source}, findings, memory=memory).declarations:
        if not isinstance(item, tree.Parameter):
            findings.add("R100", item.span, "a site can set parameters and nothing else")
        elif item.name.text not in declared:
            findings.unknown_name(item.name.span, item.name.text, declared, "parameter")
        elif _fits(item, declared[item.name.text], findings):
            given[item.name.text] = item
    return tuple(
        memory.once(_set, item, given[item.name.text])
        if isinstance(item, tree.Parameter) and item.name.text in given
        else item
        for item in declarations
    )


def _set(item: tree.Parameter, given: tree.Parameter) -> tree.Parameter:
    return replace(item, value=given.value, source=f"set by this site; {item.source}")


def _fits(item: tree.Parameter, declared: tree.Parameter, findings: Findings) -> bool:
    """Return whether a value is in a unit of the same kind, without going through a molar mass."""
    times = [kinds.is_time(amount.unit) for amount in (item.value, declared.value)]
    if any(times):
        if _is_such_a_time(item.value, declared.value):
            return True
        wanted_unit = declared.value.unit or "a plain number"
        findings.add(
            "R203", item.value.span, f"{declared.name.text} is in {wanted_unit}",
            meaning="the rules use it where such a time or number must stand.",
            fix=f"{item.value.value} {declared.value.unit or ''}".strip(),
            related=[declared.value.span],
        )  # fmt: skip
        return False
    given, wanted = (_kind(amount) for amount in (item.value, declared.value))
    bare = [amount.unit is None for amount in (item.value, declared.value)]
    if wanted is None or given is None:
        return True  # the unit itself is wrong, and said to be
    if titers.number_apart(item.value, wanted, findings, declared.name.text):
        return False
    if bare[0] is bare[1] and given.dimension == wanted.dimension:
        return True
    unit = declared.value.unit or ""
    findings.add(
        "R203", item.value.span, f"{declared.name.text} is in {unit or 'a plain number'}",
        meaning="the rules compare it with results in that unit.",
        fix=f"{item.value.value} {unit}".strip(), related=[declared.value.span],
    )  # fmt: skip
    return False


def _is_such_a_time(given: tree.Amount, declared: tree.Amount) -> bool:
    """Return whether both are time spans, or both ages; days and weeks are either."""
    units = {kinds.singular(amount.unit or "") for amount in (given, declared)}
    return units <= kinds.PERIODS.keys() or units <= kinds.AGES


def _kind(amount: tree.Amount) -> kinds.Kind | None:
    unit = amount.unit
    return kinds.PLAIN if unit is None else kinds.number(parse_unit(unit) or unit)
