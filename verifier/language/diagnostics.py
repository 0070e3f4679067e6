"""What the checker says: findings with code, place, cause, meaning at the bench, and a fix."""

import difflib
from collections.abc import Iterable
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
    "R211": "a titer stands only beside titers",
    "R212": "a conventional unit can not be converted",
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
    "R406": "a condition can never hold, or always holds",
    "R407": "a rule is made useless by another",
    "R408": "a test has no critical and no change limit",
    "R500": "there is nothing to check",
    "R501": "a scenario does not come true",
}

# Words that people take for names, and the condition they mean.
MEANT = {
    "female": "sex is female",
    "woman": "sex is female",
    "male": "sex is male",
    "man": "sex is male",
    "critical": "result is critical",
    "abnormal": "result is outside reference",
    "change": "change(result within 3 days)",
    "previous": "previous(result within 3 days)",
}


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
