"""Reads rule files: text to declarations, with a finding for every clause that can not be read."""

import re
from functools import lru_cache
from typing import NamedTuple, TypeAlias

from lark import Lark, Token, UnexpectedCharacters, UnexpectedEOF, UnexpectedInput, UnexpectedToken

from verifier.language import slips, tree
from verifier.language.diagnostics import listing, nearest
from verifier.language.findings import Findings
from verifier.language.hidden import note_hidden
from verifier.language.memory import Memory
from verifier.language.scenarioclauses import WholeBuilder
from verifier.language.source import HIDDEN, Source, Statement

STATEMENTS = (
    "derive", "group", "guarantee", "limits", "parameter", "population", "rule", "scenario", "test",
)  # fmt: skip
MOST_WORDS = 150  # of one clause: bounds the depth of every walk over its tree
MOST_FAULTS = 12  # reported of one statement
_WORD = re.compile(r'"[^"\n]*"|[\w.%]+|[^\s\w]')
_DECLARED = re.compile(
    r"(?:group|parameter|population|test|derive|rule)[ \t]+([A-Za-z][A-Za-z0-9_-]*)"
)


class Reading(NamedTuple):
    """What the files declare, and the names of statements that could not be read."""

    declarations: tuple[tree.Declaration, ...]
    broken: frozenset[str]


@lru_cache(maxsize=1)
def parser() -> Lark:
    """Return the parser, built once."""
    return Lark.open(
        "grammar.lark",
        rel_to=__file__,
        parser="lalr",
        propagate_positions=True,
        maybe_placeholders=True,
    )


@lru_cache(maxsize=1)
def reserved() -> frozenset[str]:
    """Return the words of the language, which can not be names."""
    words = {terminal.pattern.value for terminal in parser().terminals}
    return frozenset(word for word in words if re.fullmatch(r"[A-Za-z]{2,}", word))


Known: TypeAlias = dict[tuple[str, str], tree.Declaration]  # by file and text


def read(
    sources: dict[str, Source],
    findings: Findings,
    known: Known | None = None,
    memory: Memory | None = None,
) -> Reading:
    """Read every file; what can not be read is noted and left out.

    Statements that are `known` are not read again, and those read are added: a declaration keeps
    the place where it was read first. What is in the memory stands where it is now.
    """
    known = {} if known is None else known
    memory = memory or Memory()
    declarations: list[tree.Declaration] = []
    broken: set[str] = set()
    for source in sources.values():
        note_hidden(source, findings)
        for statement in source.statements():
            end = statement.start + len(statement.text)
            hidden = HIDDEN.search(source.text, statement.start, end)  # said already: read no more
            key = statement.file, statement.text
            made = known.get(key) or (None if hidden else _taken(statement, memory, findings))
            if made is not None:
                known[key] = made
                declarations.append(made)
            elif named := _DECLARED.match(statement.text):
                broken.add(named.group(1))
    return Reading(tuple(declarations), frozenset(broken))


def _taken(statement: Statement, memory: Memory, findings: Findings) -> tree.Declaration | None:
    """Return what a statement declares, read again unless the memory knows it."""
    made = memory.declaration(statement)
    if made is None:
        before = findings.asked
        made = _read_statement(statement, findings)
        if made is not None and findings.asked == before:
            memory.keep(statement, made)
    return made


def _read_statement(statement: Statement, findings: Findings) -> tree.Declaration | None:
    if not _begins_well(statement, findings):
        return None
    text, sound = _without_bad_clauses(statement, findings)
    for _ in range(MOST_FAULTS):
        try:
            parsed = parser().parse(text)
        except UnexpectedInput as error:
            at = _note(statement, text, error, findings)
            sound = False
            text = _without_clause(text, at)
            if "\n" not in text:
                return None
        else:
            made = WholeBuilder(statement, findings).transform(parsed) if sound else None
            return made
    return None


def _begins_well(statement: Statement, findings: Findings) -> bool:
    stripped = statement.text.lstrip()
    words = _WORD.match(stripped)
    word = words.group() if words else stripped[:1]
    offset = len(statement.text) - len(stripped)
    span = statement.span(offset, offset + len(word))
    if offset:
        findings.add(
            "R100",
            span,
            "a clause without its statement",
            meaning="a statement begins at the left margin, its clauses are indented below it.",
            fix=f"begin a line with {listing(STATEMENTS)}",
        )
        return False
    if word in STATEMENTS:
        return True
    close = nearest(word, STATEMENTS)
    findings.add(
        "R101",
        span,
        f"no statement begins with {word!r}",
        meaning=f"statements begin with {listing(STATEMENTS)}; their clauses are indented.",
        fix=f"did you mean {close}?" if close else "indent the line if it belongs to the one above",
    )
    return False


def _without_bad_clauses(statement: Statement, findings: Findings) -> tuple[str, bool]:
    """Blank clauses that are too long or whose quotation marks do not match."""
    text, sound, offset, faults = statement.text, True, 0, 0
    for clause in statement.text.split("\n"):
        span = statement.span(offset, offset + len(clause))
        start = offset + len(clause) - len(clause.lstrip())
        if len(_WORD.findall(clause)) > MOST_WORDS:
            findings.add(
                "R102",
                statement.span(start, offset + len(clause)),
                f"this clause has more than {MOST_WORDS} words and signs",
                meaning="nobody can check a condition of that length at a glance.",
                fix="split it with let, or into several rules",
            )
        elif clause.count('"') % 2:
            mark = offset + clause.rfind('"')
            findings.add(
                "R103",
                statement.span(mark, offset + len(clause)),
                "this quotation mark has no partner on its line",
                fix='end the text with "',
            )
        else:
            offset += len(clause) + 1
            continue
        sound, faults = False, faults + 1
        if offset == 0 or faults == MOST_FAULTS:
            return "", False
        text = _without_clause(text, span.start - statement.start + 1)
        offset += len(clause) + 1
    return text, sound


def _without_clause(text: str, at: int) -> str:
    """Blank the clause that contains offset `at`; the header takes the statement with it."""
    start = text.rfind("\n", 0, max(at, 0))
    if start < 0:
        return ""
    end = text.find("\n", at)
    end = len(text) if end < 0 else end
    return text[:start] + " " * (end - start) + text[end:]


def _note(statement: Statement, text: str, error: UnexpectedInput, findings: Findings) -> int:
    """Note why the text can not be read; return an offset inside the clause to blame."""
    start, word = _blamed(text, error)
    at = start
    if not word.strip():  # the clause ended too early: point behind its last word
        at = len(text[:start].rstrip())
        start, word = max(at - 1, 0), ""
    span = statement.span(at if word else start, max(at + len(word), start + 1))
    slip = slips.recognised(error, parser(), text, at)
    if slip:
        findings.add("R100", span, slip.message, fix=slip.fix)
        return start
    expected = _expected(error)
    close = nearest(word, expected) if word.isalpha() else None
    findings.add(
        "R101" if close else "R100",
        span,
        f"{word!r} does not fit here" if word else "the line ends too early",
        meaning=f"here can stand: {listing(expected)}." if expected else "",
        fix=f"did you mean {close}?" if close else "",
    )
    return start


def _blamed(text: str, error: UnexpectedInput) -> tuple[int, str]:
    if isinstance(error, UnexpectedCharacters):
        start = error.pos_in_stream or 0
        found = _WORD.match(text, start)
        return start, found.group() if found else text[start : start + 1]
    if isinstance(error, UnexpectedToken) and error.token.type != "$END":
        token: Token = error.token
        return token.start_pos or 0, str(token)
    return len(text), ""


def _expected(error: UnexpectedInput) -> list[str]:
    """Return what could stand at the error, in words of the bench, never token names."""
    if isinstance(error, UnexpectedEOF):
        return []
    names = error.accepts if isinstance(error, UnexpectedToken) else error.allowed  # type: ignore[attr-defined]
    shown = (_shown(name) for name in names or ())
    return sorted({word for word in shown if word})


_SHOWN = {
    "NAME": "a name",
    "RULE_NAME": "a name",
    "NUMBER": "a number",
    "DILUTION": "a titer",
    "UNIT": "a unit",
    "TEXT": 'a text in "…"',
    "COMPARISON": "> >= < <= =",
    "SIGN": "+ -",
    "STEP": "* /",
    "LABEL": 'a label in ("…")',
    "LOINC_CODE": "a LOINC code",
    "_NEWLINE": "a new line",
    "$END": "",
}


def _shown(name: str) -> str:
    if name in _SHOWN:
        return _SHOWN[name]
    pattern = next((t.pattern.value for t in parser().terminals if t.name == name), "")
    return str(pattern)
