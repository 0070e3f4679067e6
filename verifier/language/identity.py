"""The identity of a rule set: a hash of its meaning.

Spacing, comments, the order of files, statements, clauses and rows, and the spelling of units do
not change it. Everything a decision rests on or shows does: a limit, its digits, a source, a text.
"""

import hashlib
import json
from collections.abc import Sequence
from dataclasses import fields, is_dataclass
from decimal import Decimal
from typing import Any

from verifier.facts.units import parse_unit
from verifier.language import tree
from verifier.language.kinds import is_time, singular

# In these the order says nothing.
_UNORDERED = {
    "codes",
    "specimens",
    "tests",
    "excluded",
    "held",
    "exceptions",
    "only_when",
    "effects",
    "orders",
    "parts",
}
_ORDERED_PARTS = (tree.AllOf, tree.AnyOf)


def identity(declarations: Sequence[tree.Declaration]) -> str:
    """Return the SHA-256, in hexadecimal, of the normalised meaning of a rule set."""
    plain = sorted((item for declared in declarations for item in _statements(declared)), key=_text)
    return hashlib.sha256(_text(plain).encode()).hexdigest()


def _text(value: Any) -> str:
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=True)


def _statements(declared: tree.Declaration) -> list[Any]:
    """Return a statement as plain values; limits become one entry per test and row.

    A group is gone by then: its tests stand where it was named. Scenarios and guarantees say what
    is expected; no decision rests on them.
    """
    if isinstance(declared, tree.Group | tree.Scenario | tree.Guarantee):
        return []
    if not isinstance(declared, tree.Limits):
        return [_plain(declared)]
    entries = []
    for test in declared.tests:
        for row in declared.rows:
            entry = _plain(row)
            entry["test"], entry["source"] = test.text, row.source or declared.source
            if entry["population"] == "everyone":
                entry["population"] = None
            entries.append(entry)
    return entries


def _plain(value: Any) -> Any:
    match value:
        case tree.Word(text=text):
            return text
        case tree.Amount(value=number, unit=unit):
            return ["amount", _number(number), _unit(unit)]
        case Decimal():
            return _number(value)
        case tuple():
            return [_plain(item) for item in value]
    if not is_dataclass(value):
        return value
    plain: dict[str, Any] = {"is": type(value).__name__}
    for part in fields(value):
        if part.name == "span":
            continue
        found = getattr(value, part.name)
        if part.name == "unit" and isinstance(found, tree.Word):
            plain["unit"] = _unit(found.text)
            continue
        item = _plain(found)
        free = part.name in _UNORDERED and not isinstance(value, _ORDERED_PARTS)
        plain[part.name] = sorted(item, key=_text) if free and isinstance(item, list) else item
    return plain


def _number(value: Decimal) -> str:
    return format(value, "f")  # as written: 2.80 is shown as 2.80


def _unit(unit: str | None) -> str | None:
    if unit is None:
        return None
    return singular(unit) if is_time(unit) else parse_unit(unit) or unit
