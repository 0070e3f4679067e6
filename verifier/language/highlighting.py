"""Marks the parts of rule text by kind, with the patterns that editors are given as well."""

import re
from functools import lru_cache
from typing import Any, NamedTuple

from verifier.language.textmate import SCOPE, grammar

_KINDS = {
    "comment.line": "comment", "string": "text", "variable": "blank", "keyword.control": "head",
    "keyword.operator": "sign", "keyword": "word", "entity": "name", "constant.other": "code",
    "constant": "number", "support.constant": "unit", "support.function": "function",
}  # fmt: skip


class Piece(NamedTuple):
    """A stretch of a line: what it is, "" where it is nothing special, and its text."""

    kind: str
    text: str


class _Part(NamedTuple):
    start: re.Pattern[str]
    kind: str
    captures: tuple[tuple[int, str], ...]
    end: re.Pattern[str] | None = None
    inside: tuple["_Part", ...] = ()


@lru_cache(maxsize=256)
def highlighted(text: str) -> tuple[tuple[Piece, ...], ...]:
    """Return the pieces of every line; put together they are the text."""
    return tuple(tuple(_pieces(line, _parts(), "")) for line in text.split("\n"))


@lru_cache(maxsize=1)
def _parts() -> tuple[_Part, ...]:
    return tuple(map(_part, grammar()["patterns"]))


def _part(pattern: dict[str, Any]) -> _Part:
    captures = pattern.get("captures", {})
    return _Part(
        start=re.compile(pattern.get("match") or pattern["begin"]),
        kind=_kind(pattern.get("name", "")),
        captures=tuple((int(number), _kind(item["name"])) for number, item in captures.items()),
        end=re.compile(pattern["end"]) if "end" in pattern else None,
        inside=tuple(map(_part, pattern.get("patterns", ()))),
    )


def _kind(scope: str) -> str:
    """Return the short kind of a scope, of the longest beginning that is listed."""
    parts = scope.removesuffix(f".{SCOPE.split('.')[-1]}").split(".")
    names = (".".join(parts[:length]) for length in range(len(parts), 0, -1))
    return next((_KINDS[name] for name in names if name in _KINDS), "")


def _pieces(line: str, parts: tuple[_Part, ...], otherwise: str) -> list[Piece]:
    found: list[Piece] = []
    at = 0
    while at < len(line):
        matches = [(match, part) for part in parts if (match := part.start.search(line, at))]
        if not matches:
            break
        match, part = min(matches, key=lambda each: each[0].start())
        found.append(Piece(otherwise, line[at : match.start()]))
        end = part.end.search(line, match.end()) if part.end else None
        stop = end.end() if end else match.end()
        whole = line[match.start() : stop]
        found += _pieces(whole, part.inside, part.kind) if part.end else _captured(match, part)
        at = stop
    return [piece for piece in [*found, Piece(otherwise, line[at:])] if piece.text]


def _captured(match: re.Match[str], part: _Part) -> list[Piece]:
    found, at = [], match.start()
    for number, kind in part.captures:
        start, end = match.span(number)
        if start >= at:
            found += [
                Piece(part.kind, match.string[at:start]),
                Piece(kind, match.string[start:end]),
            ]
            at = end
    return [*found, Piece(part.kind, match.string[at : match.end()])]
