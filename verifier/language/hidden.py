"""Signs that can not be seen, or that make a line read other than it is stored.

A right-to-left mark can show ``below 2.8`` where the file says something else, and a line end that
only some editors know makes one line look like two (Unicode TR 36, section 3.1, from memory).
"""

import re

from verifier.language.findings import Findings
from verifier.language.source import HIDDEN, Source, Span

MOST_SHOWN = 12  # of one file
_NAMES = {
    "\x00": "a NUL byte",
    "\u200b": "a space without width",
    "\ufeff": "a byte order mark",
}


def note_hidden(source: Source, findings: Findings) -> None:
    """Note the signs of a file that nobody can see."""
    for number, match in enumerate(HIDDEN.finditer(source.text)):
        if number == MOST_SHOWN:
            return
        span = Span(source.file, match.start(), match.start() + 1)
        findings.add(
            "R200", span, f"there is {_named(match)} here, which can not be seen",
            meaning="the line could read otherwise on a screen than it is understood.",
            fix="delete the sign, or type the line again",
        )  # fmt: skip


def _named(match: re.Match[str]) -> str:
    sign = match.group()
    kind = "a mark of writing direction" if sign > "\u200b" else "a control sign"
    return f"{_NAMES.get(sign, kind)} (U+{ord(sign):04X})"
