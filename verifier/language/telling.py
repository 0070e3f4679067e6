"""Tells statements as facts with a subject and a label, for comparing rule sets in words."""

from collections.abc import Iterable, Mapping
from dataclasses import fields
from typing import Any, NamedTuple

from verifier.facts.units import parse_unit
from verifier.facts.values import TITER
from verifier.language import tree
from verifier.language.scene import plain
from verifier.language.spelled import spelled

Units = Mapping[str, str]


class Said(NamedTuple):
    """What a fact says under its label: one text, or several without order.

    `whole` says it in full where the short text leaves the `edge` of a limit out.
    """

    label: str
    texts: tuple[str, ...]
    whole: str = ""
    edge: str = ""


Facts = dict[str, Said]

_LABELS = {
    "codes": "code", "specimens": "in", "molar_mass": "molar mass", "tests": "for",
    "excluded": "except", "orders": "order", "lets": "let", "report": "report as",
    "conventional_report": "report as conventional", "unknown": "when unknown", "population": "for",
    "source": "source",
}  # fmt: skip
_BARE = {
    "condition", "value", "exceptions", "effects", "wait", "index", "controlled", "only_when",
}  # fmt: skip
_QUOTED = {"title", "source", "because"}
_SCOPES = {"result": "hold when", "specimen": "hold specimen when", "nothing": "when"}
_ORDER = ("parameter", "population", "test", "", "derive", "rule")
_IRREGULAR = {"child": "children"}


def subject_of(declared: tree.Declaration) -> str:
    """Return how a statement is spoken of, "" for limits and for what decides nothing."""
    match declared:
        case tree.Limits() | tree.Group() | tree.Scenario() | tree.Guarantee():
            return ""
    return f"{type(declared).__name__.lower()} {declared.name.text}"


def rank(subject: str) -> tuple[int, str]:
    """Return where a subject stands in a report: limits between tests and derived results."""
    first = subject.split()[0]
    return _ORDER.index(first if first in _ORDER else ""), subject


def facts_of(declarations: Iterable[tree.Declaration]) -> dict[str, Facts]:
    """Return the facts of a rule set by subject."""
    declarations = list(declarations)
    units = {
        declared.name.text: declared.unit.text
        for declared in declarations
        if isinstance(declared, tree.Test | tree.Derive) and declared.unit
    }
    found: dict[str, Facts] = {}
    for declared in declarations:
        if isinstance(declared, tree.Limits):
            for test in declared.tests:
                for row in declared.rows:
                    facts = _row(row, row.source or declared.source, units.get(test.text, ""))
                    found.setdefault(_whom(test.text, row), {}).update(facts)
        elif subject := subject_of(declared):
            found[subject] = _facts(declared)
    return found


# --- limits ---


def _whom(test: str, row: tree.Row | tree.ChangeRow) -> str:
    parts = [test]
    if row.population and row.population.text != "everyone":
        parts.append(_several(row.population.text))
    if row.specimen:
        parts.append(row.specimen.text)
    return ", ".join(parts)


def _several(name: str) -> str:
    if name in _IRREGULAR:
        return _IRREGULAR[name]
    if name.endswith("man"):
        return f"{name[:-3]}men"
    return name if name.endswith("s") else f"{name}s"


def _row(row: tree.Row | tree.ChangeRow, source: str, unit: str) -> Facts:
    if isinstance(row, tree.ChangeRow):
        most = _amount(row.most, unit) if isinstance(row.most, tree.Amount) else spelled(row.most)
        text = f"{most}{f' per {row.each}' if row.each else ''} within {spelled(row.window)}"
        facts = {"change at most": Said("change at most", (text,))}
        kind = "change"
    else:
        facts, kind = _ends(row, unit), row.kind
    return facts | ({f"{kind} source": Said(f"{kind} source", (f'"{source}"',))} if source else {})


def _ends(row: tree.Row, unit: str) -> Facts:
    """Return both ends of a row, each a fact; a row of another shape is one fact."""
    below = [part.high for part in row.parts if part.low is None]
    above = [part.low for part in row.parts if part.high is None]
    within = [part for part in row.parts if part.low and part.high]
    shown = [_part(part, unit) for part in row.parts]
    critical = row.kind == "critical"
    if len(below) > 1 or len(above) > 1 or len(within) > (0 if critical else 1):
        label = f"{row.kind} values"
        return {label: Said(label, (", ".join(sorted(shown)),))}
    facts: Facts = {}
    for part, text in zip(row.parts, shown, strict=True):
        low_end, high_end = ("high", "low") if critical else ("low", "high")
        for amount, end, included in (
            (part.low, low_end, part.low_included),
            (part.high, high_end, part.high_included),
        ):
            if amount:
                short = _amount(amount, unit)
                whole = short if part.low and part.high else text
                label = f"{row.kind} {end}"
                facts[label] = Said(label, (short,), whole, str(included))
    return facts


def _part(part: tree.Part, unit: str) -> str:
    low, high = (amount and _amount(amount, unit) for amount in (part.low, part.high))
    if low and high:
        return f"{low} to {high}"
    if low:
        return f"{low} or above" if part.low_included else f"above {low}"
    return f"{high} or below" if part.high_included else f"below {high}"


def _amount(amount: tree.Amount | tree.Name, unit: str) -> str:
    """Return an end of a limit; a bare number is in the unit of its test."""
    if isinstance(amount, tree.Name) or amount.unit is not None or not unit:
        return spelled(amount)
    return f"{plain(amount.value)} {parse_unit(unit) or unit}"


# --- everything else ---


def _facts(declared: Any) -> Facts:
    facts: Facts = {}
    for part in fields(declared):
        name = part.name
        if name in ("span", "name", "scope", "held"):
            continue
        texts = _texts(declared, name)
        if name in _QUOTED:
            texts = tuple(f'"{text}"' for text in texts)
        label = "" if name in _BARE else _LABELS.get(name, name.replace("_", " "))
        facts[name] = Said(label, texts)
    return facts


def _texts(declared: Any, name: str) -> tuple[str, ...]:
    value = getattr(declared, name)
    match declared, name:
        case tree.Rule(), "condition":
            return (_hold(declared),)
        case tree.Rule(), "tests":
            names = tuple(word.text for word in value or ())
            return (", ".join(sorted(names)) or ("every test" if value is None else "no test"),)
        case tree.Test(), "unit" if value and value.text == TITER:
            return ("titer",)
        case tree.Test(), "index":
            return ("interference index",) if value else ()
        case tree.Test(), "controlled":
            return () if value else ("uncontrolled",)
    if isinstance(value, tuple):
        return tuple(_text(item) for item in value)
    return () if value is None or value == "" else (_text(value),)


def _hold(rule: tree.Rule) -> str:
    names = ", ".join(sorted(word.text for word in rule.held))
    lead = _SCOPES.get(rule.scope) or f"hold {names or rule.scope} when"
    return f"{lead} {spelled(rule.condition)}"


def _text(value: Any) -> str:
    match value:
        case str() | int():
            return str(value)
        case tree.Word(text=text):
            return text
        case tree.Code(system=system, code=code):
            return f"LOINC {code}" if system == "LN" else f'local "{code}"'
        case tree.Conventional(unit=unit, decimals=decimals):
            return f"{unit.text} decimals {decimals}"
        case tree.Let(name=name, value=formula):
            return f"{name.text} = {spelled(formula)}"
        case tree.Exemption(condition=condition, label=label):
            return f'except when {spelled(condition)} ("{label}")'
        case tree.OnlyWhen(condition=condition, reason=reason):
            return f'only when {spelled(condition)} ("{reason}")'
        case tree.Wait(limit=limit, tests=tests):
            names = ", ".join(sorted(word.text for word in tests))
            return f"wait up to {spelled(limit)} for {names}"
        case tree.Effect(what=what, text=text, within=within):
            return _effect(what, text if within is None else f"{text} within {spelled(within)}")
        case _:
            return spelled(value)


def _effect(what: str, text: str) -> str:
    if what in ("flag", "comment"):
        return f'{what} "{text}"'
    return {"ask": "ask for ", "suppress": "suppress as "}.get(what, f"{what} ") + text
