"""Recognises how people say it who do not know the language, and says the line in the language.

Where a clause can not be read, its words around the fault are looked up in the phrase book. The
fix is the clause itself, put right: it can be pasted in place of the line.
"""

import re
from collections.abc import Callable, Sequence
from typing import NamedTuple

_TEXT = re.compile(r'"[^"\n]*"')
_ROWS = ("possible", "measurable", "reference", "critical", "autorelease", "change")
_CONDITIONS = ("hold", "when", "except", "only", "if", "unless")
_FORMULAS = ("formula", "let")
_LONGEST = 1000  # letters of a clause that is looked up: a search may need their square
_BESIDE_FORMULAS = ("unit", "units", "decimals", "for", "report", "from", "source")

Words = Sequence[str]


class Phrase(NamedTuple):
    """One way to say it.

    `where` names the kinds of clause it is looked for in: head, condition, row, formula,
    scenario, guarantee, line.
    `right` is what stands instead, `{1}` for the first group, or a function of the groups; None
    where only `example` can be shown.
    """

    where: str
    pattern: re.Pattern[str]
    message: str
    right: str | Callable[[Words], str] | None
    example: str = ""


class Clause(NamedTuple):
    """A clause of a statement, its kind, and the text with the insides of texts blanked."""

    kind: str
    written: str
    masked: str
    fault: int


def said(
    pattern: str,
    message: str,
    right: str | Callable[[Words], str] | None,
    where: str = "head condition row formula line scenario guarantee",
    example: str = "",
) -> Phrase:
    """Return a phrase of the book; upper and lower case do not matter, nor does spacing."""
    spaced = pattern.replace(" ", r"\s+")
    return Phrase(where, re.compile(spaced, re.IGNORECASE), message, right, example)


def advice(book: Sequence[Phrase], text: str, at: int) -> tuple[str, str] | None:
    """Return message and fix for a fault at offset `at` of a statement, None if none is known."""
    clause = _clause(text, at)
    if len(clause.written) > _LONGEST:
        return None
    for phrase in book:
        if clause.kind in phrase.where.split() and _covers(phrase, clause):
            fix = phrase.example or _mended(phrase, clause)
            if fix != clause.written:
                return phrase.message, fix
    return None


def small_letters(text: str, at: int, reserved: frozenset[str]) -> str | None:
    """Return the clause with the words of the language in small letters, None if they are."""
    clause = _clause(text, at)

    def lowered(match: re.Match[str]) -> str:
        word = match.group()
        return word.lower() if word.lower() in reserved else word

    end = re.compile(r"\w*").match(clause.masked, clause.fault)
    upto = end.end() if end else clause.fault
    mended = re.sub(r"[A-Za-z]+", lowered, clause.masked[:upto])
    if mended == clause.masked[:upto]:
        return None
    whole = re.sub(r"(?<![\w/{])[A-Za-z]{2,}(?![\w/}])", lowered, clause.masked)
    return _unmasked(whole, clause)


def _clause(text: str, at: int) -> Clause:
    start = text.rfind("\n", 0, at) + 1
    end = text.find("\n", at)
    line = text[start : len(text) if end < 0 else end]
    written = line.strip()
    indent = len(line) - len(line.lstrip())
    masked = _TEXT.sub(lambda match: '"' + "\0" * (len(match.group()) - 2) + '"', written)
    kind = _kind(text, start, written)
    return Clause(kind, written, masked, min(max(at - start - indent, 0), len(written)))


def _kind(text: str, start: int, written: str) -> str:
    first = (written.split() or [""])[0].lower().rstrip(":")
    statement = (text.split() or [""])[0]
    if start == 0:
        return "condition" if statement == "population" else "head"
    if statement in ("scenario", "guarantee"):
        return statement
    if statement == "limits" and first != "from":
        return "row"
    if first in _ROWS:
        return "row"
    if first in _FORMULAS or (statement == "derive" and first not in _BESIDE_FORMULAS):
        return "formula"
    return "condition" if first in _CONDITIONS else "line"


def _covers(phrase: Phrase, clause: Clause) -> bool:
    found = phrase.pattern.finditer(clause.masked)
    return any(match.start() <= clause.fault <= match.end() + 1 for match in found)


def _mended(phrase: Phrase, clause: Clause) -> str:
    right = phrase.right or ""

    def replaced(match: re.Match[str]) -> str:
        groups = [
            clause.written[match.start(n) : match.end(n)] if match.group(n) else ""
            for n in range(match.re.groups + 1)
        ]
        return right.format(*groups) if isinstance(right, str) else right(groups)

    out, end = "", 0
    for match in phrase.pattern.finditer(clause.masked):
        out += clause.written[end : match.start()] + replaced(match)
        end = match.end()
    return out + clause.written[end:]


def _unmasked(changed: str, clause: Clause) -> str:
    """Put the texts of a clause back; `changed` has the same length as the clause."""
    return "".join(
        new if masked == written or new != masked else written
        for new, masked, written in zip(changed, clause.masked, clause.written, strict=True)
    )
