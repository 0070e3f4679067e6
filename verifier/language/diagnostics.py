"""What the checker says: findings with code, place, cause, meaning at the bench, and a fix."""

import difflib
from collections.abc import Iterable, Sequence
from typing import Literal

from msgspec import Struct

Severity = Literal["error", "warning", "note"]

# Every code with the one-line description that the manual lists.
CODES = {
    "R100": "this is not a sentence of the rule language",
    "R101": "a word of the language is misspelt or unknown",
    "R102": "a clause is too long",
    "R103": "a quotation mark is missing",
    "R104": "a name is a word of the language",
    "R105": "something is said twice",
    "R106": "something is missing",
    "R200": "the file can not be read",
    "R201": "a name is not known",
    "R202": "a unit is not known",
    "R203": "units do not match",
    "R204": "a number needs a unit",
    "R205": "this is not a condition, or not a number",
    "R206": "a name is declared twice",
    "R207": "a code is wrong or used twice",
    "R208": "derived results go round in a circle",
    "R209": "a call has the wrong number or kind of arguments",
    "R210": "there is no `result` here",
    "R301": "a limit is upside down",
    "R302": "two limits overlap",
    "R303": "a limit has no source",
    "R304": "limits contradict each other",
    "R305": "no such limit is defined",
    "R306": "some patients have no limit",
    "R401": "a choice on unknown is missing",
    "R402": "a rule does nothing",
    "R403": "a text names something that is not there",
    "R404": "a test is not covered by any rule",
    "R405": "a rule has no source",
    "R500": "there is nothing to check",
}


_LONG_MARK = 40  # beyond this the message would run out of sight


class Diagnostic(Struct, frozen=True):
    """One finding. Line and columns count from 1, `end` is the column after the last character.

    `meaning` says what it means at the bench, `fix` can be pasted, `related` names other places.
    """

    code: str
    file: str
    line: int
    column: int
    end: int
    severity: Severity
    message: str
    meaning: str = ""
    fix: str = ""
    related: tuple[str, ...] = ()


def render(finding: Diagnostic, source_lines: Sequence[str], color: bool = False) -> str:
    """Return the finding as text for a terminal; `source_lines` are the lines of its file."""
    paint = _Paint(color)
    severity = "" if finding.severity == "error" else f" ({finding.severity})"
    place = f"{finding.file}:{finding.line}:{finding.column}"
    out = [f"{paint.bold(place)}   {paint.code(finding)}{severity}   {CODES[finding.code]}"]
    if 0 < finding.line <= len(source_lines) and source_lines[finding.line - 1].strip():
        out += _excerpt(finding, source_lines[finding.line - 1].replace("\t", " "), paint)
    else:
        out.append(f"  {finding.message}")
    labelled = [("What it means", finding.meaning), ("Try", finding.fix)]
    out += [f"  {label:<15} {text}" for label, text in labelled if text]
    out += [f"  {'Also seen':<15} {text}" for text in finding.related]
    return "\n".join(out)


def _excerpt(finding: Diagnostic, line: str, paint: "_Paint") -> list[str]:
    number = str(finding.line)
    margin = " " * len(number)
    marks = "^" * max(1, min(finding.end, len(line) + 1) - finding.column)
    before = " " * (finding.column - 1)
    shown = [f"{number:>4} | {line}"]
    if len(marks) <= _LONG_MARK:
        return [*shown, f"{margin:>4} | {before}{paint.mark(f'{marks} {finding.message}')}"]
    return [*shown, f"{margin:>4} | {before}{paint.mark(marks)}", f"  {finding.message}"]


class _Paint:
    """Terminal emphasis, or none."""

    def __init__(self, color: bool) -> None:
        self._on = color

    def bold(self, text: str) -> str:
        return f"\x1b[1m{text}\x1b[0m" if self._on else text

    def mark(self, text: str) -> str:
        return f"\x1b[35m{text}\x1b[0m" if self._on else text

    def code(self, finding: Diagnostic) -> str:
        return self.bold(finding.code)


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word that `word` was probably meant to be, if one is close enough."""
    folded = {name.casefold(): name for name in sorted(known)}
    found = difflib.get_close_matches(word.casefold()[:60], list(folded), n=1, cutoff=0.65)
    return folded[found[0]] if found else None


def listing(names: Iterable[str], most: int = 12) -> str:
    """Return names for a sentence, cut where the list would become noise."""
    ordered = sorted(names)
    more = f" and {len(ordered) - most} more" if len(ordered) > most else ""
    return ", ".join(ordered[:most]) + more if ordered else "none"
