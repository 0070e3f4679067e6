"""The page of each code: what it means at the bench, a wrong example and a right one.

A page is Markdown: a heading with the code and its line in `CODES`, some paragraphs, and examples
in fences. An example stands beside the statements of `bench()`, unless its fence says `alone`.
"""

import re
import textwrap
from functools import cache
from importlib.resources import files
from typing import NamedTuple

from verifier.errors import RuleSetError
from verifier.language.diagnostics import CODES, listing, nearest

_FENCE = re.compile(r"^```(wrong|right)([ \w-]*)\n(.*?)^```$", re.DOTALL | re.MULTILINE)


class Example(NamedTuple):
    """Rule text of a page; `marks` are the words behind `wrong` or `right` in its fence."""

    right: bool
    marks: tuple[str, ...]
    text: str


@cache
def page(code: str) -> str:
    """Return the page of a code, in upper or lower case.

    Raises:
        RuleSetError: there is no such code.
    """
    name = code.strip().upper()
    if name not in CODES:
        close = nearest(name, CODES)
        hint = f"did you mean {close}?" if close else f"known: {listing(CODES, most=len(CODES))}."
        raise RuleSetError(f"there is no code {code!r}; {hint}")
    return _file(f"{name}.md")


def bench() -> str:
    """Return the statements the examples of the pages stand beside."""
    return _file("bench.rules")


def examples(code: str) -> tuple[Example, ...]:
    """Return the examples of a page, in order."""
    return tuple(
        Example(kind == "right", tuple(marks.split()), text)
        for kind, marks, text in _FENCE.findall(page(code))
    )


def as_text(code: str) -> str:
    """Return a page for a terminal: fences become indentation."""
    text = _FENCE.sub(lambda fence: textwrap.indent(fence.group(3), "    "), page(code))
    return re.sub(r"\n{3,}", "\n\n", text.removeprefix("# ")).strip()


def contents() -> str:
    """Return all codes, each with its line."""
    return "\n".join(f"{code}  {line}" for code, line in sorted(CODES.items()))


def _file(name: str) -> str:
    return files("verifier.language").joinpath("pages", name).read_text(encoding="utf-8")
