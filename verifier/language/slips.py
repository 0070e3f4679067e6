"""Common slips of the pen, each with the sentence that helps.

Structural slips are recognised by the parser's own state: each slip stands beside bad snippets
that fail in the same way, and an error is an instance of a slip when it stops the parser in the
same state at the same kind of word (the idea of lark's `match_examples`, indexed once). Signs that
are no words of the language are recognised by their text, and what people say instead of the
words of the language by the phrase book, whose fixes are the very line put right.
"""

from functools import lru_cache
from typing import NamedTuple

from lark import Lark, UnexpectedInput, UnexpectedToken

from verifier.language.phrasebook import BOOK
from verifier.language.phrases import advice, small_letters


class Slip(NamedTuple):
    """What went wrong, and a line that is right; `exact` slips hang on the very word."""

    message: str
    fix: str
    exact: bool = False


_Stop = tuple[object, str, str]


def _rule(*clauses: str) -> str:
    return "rule x for a" + "".join(f"\n  {clause}" for clause in clauses)


def _limits(*rows: str) -> str:
    return "limits for a" + "".join(f"\n  {row}" for row in rows)


SIGNS = {
    "==": Slip("`==` is not a sign of the language", "write ="),
    "−": Slip("this is a typographic minus", "write - (hyphen)"),
    "–": Slip("this is a dash", "write - (hyphen)"),
    "“": Slip("these are typographic quotation marks", 'write "…" with straight marks'),
    "”": Slip("these are typographic quotation marks", 'write "…" with straight marks'),
    "'": Slip("texts stand in double quotation marks", 'write "…"'),
    "&": Slip("`&` is not a word of the language", "write and"),
    "|": Slip("`|` is not a word of the language", "write or"),
    ";": Slip("a clause needs no sign at its end", "delete ;"),
    "{": Slip("braces belong inside a text or a unit", "write ( )"),
}

SLIPS: dict[Slip, list[str]] = {
    Slip("numbers are written with a decimal point", "hold when a > 5.1 mmol/L"): [
        _rule("hold when a > 5,1 mmol/L"),
    ],
    Slip("comparisons can not be chained", "hold when a is between 3 and 5 mmol/L"): [
        _rule("hold when a > 5 mmol/L > b"),
        _rule("hold when a > b > c"),
    ],
    Slip("a text stands in quotation marks", 'because "potassium is high"'): [
        _rule("because potassium is high"),
    ],
    Slip("a text stands in quotation marks", 'from "our procedure"'): [
        _rule("from our procedure"),
        _limits("from our procedure"),
    ],
    Slip("a text stands in quotation marks", 'comment "hemolyzed"'): [
        _rule("comment hemolyzed"),
    ],
    Slip("a condition follows `when`", "hold when a > 5 mmol/L"): [
        _rule("hold if a > 5 mmol/L"),
        _rule("hold a > 5 mmol/L"),
    ],
    Slip("the condition comes after `hold when`", "hold when a > 5 mmol/L"): [
        _rule("when a > 5 mmol/L then hold"),
        _rule("when a > 5 mmol/L hold"),
        _rule("hold when a > 5 mmol/L then"),
    ],
    Slip("`is` does not go with a sign", "hold when a > 5 mmol/L"): [
        _rule("hold when a is > 5 mmol/L"),
    ],
    Slip("limits are written `below` and `above`", "critical below 2.8, above 6.2"): [
        _limits("critical below 2.8, > 6.2"),
    ],
    Slip("an interval is written `3.5 to 5.1`, with decimal points", "reference 3.5 to 5.1"): [
        _limits("reference 3.5 - 5.1"),
        _limits("reference 3.5 and 5.1"),
        _limits("reference 3.5"),
        _limits("reference adult 3.5"),
    ],
    Slip("a code begins with `LOINC` or `local`", 'code LOINC 2823-3, local "K"'): [
        'test a\n  code LOINC 2823-3, "K"',
    ],
    Slip("an exception ends with its label", 'except when newborn ("capillary specimen")'): [
        _rule('except when newborn "capillary"'),
    ],
    Slip(
        "a conventional unit says with how many decimals it is reported",
        "conventional mg/dL decimals 0",
    ): [
        "test a\n  conventional mg/dL",
        "derive a\n  conventional mg/dL",
    ],
    Slip("the reason stands behind it", 'only when a < 4.5 mmol/L ("a is above 4.5 mmol/L")'): [
        "derive x\n  only when a < 4.5 mmol/L",
        'derive x\n  only when a < 4.5 mmol/L "too high"',
        "derive x\n  only when a is known",
    ],
    Slip("a wait is written `wait up to`", "wait up to 20 minutes for sodium, chloride"): [
        _rule("wait up to 20 minutes"),
    ],
    Slip("the choice is `hold` or `ignore`", "when unknown hold"): [
        _rule("when unknown release"),
        _rule("when unknown"),
    ],
    Slip("a bracket is not closed", "hold when (a > 5 mmol/L or b > 3 mmol/L) and c is known"): [
        _rule("hold when (a > 5 mmol/L"),
        _rule("hold when (a + b"),
        _rule("hold when (a > 5 mmol/L and b > 4"),
    ],
    Slip("`else` is missing", "if sex is female then 1 else 2"): [
        "derive a\n  formula if sex is female then 1",
    ],
    Slip("a change limit says how much and within what time", "change at most 1 within 3 days"): [
        _limits("change at most 1"),
        _limits("change 1 within 3 days"),
    ],
    Slip("something is missing after `when`", "hold when result is critical"): [
        _rule("hold when"),
        _rule("hold specimen when"),
    ],
    Slip("the statement ends without its lines", "write its clauses below, indented"): [
        "rule x for a",
        "limits for a",
        "test a",
        'test a "A"',
        "derive a",
    ],
}


def recognised(error: UnexpectedInput, parser: Lark, text: str, at: int) -> Slip | None:
    """Return the slip an error at offset `at` of `text` is an instance of."""
    small = small_letters(text, at, _words(parser))
    if small:
        return Slip("the words of the language are written in small letters", small)
    phrase = advice(BOOK, text, at)
    return Slip(*phrase) if phrase else _structural(error, parser, text, at)


def _structural(error: UnexpectedInput, parser: Lark, text: str, at: int) -> Slip | None:
    around = (text[at : at + 2], text[max(at - 1, 0) : at + 1], text[at : at + 1])
    for piece in around:
        if piece in SIGNS:
            return SIGNS[piece]
    stop = _stop(error)
    if stop is None:
        return None
    known = _index(parser)
    state, kind, word = stop
    return known.get((state, kind, word)) or known.get((state, kind, ""))


@lru_cache(maxsize=1)
def _words(parser: Lark) -> frozenset[str]:
    """Return the words of the language."""
    words = {str(terminal.pattern.value) for terminal in parser.terminals}
    return frozenset(word for word in words if word.isalpha() and word.islower())


@lru_cache(maxsize=1)
def _index(parser: Lark) -> dict[_Stop, Slip]:
    """Return the stop each bad snippet leads to; the first slip listed wins."""
    known: dict[_Stop, Slip] = {}
    for slip, snippets in SLIPS.items():
        for snippet in snippets:
            try:
                parser.parse(snippet)
            except UnexpectedInput as error:
                stop = _stop(error)
                if stop is not None:
                    state, kind, word = stop
                    known.setdefault((state, kind, word if slip.exact else ""), slip)
    return known


def _stop(error: UnexpectedInput) -> _Stop | None:
    """Return where the parser stopped: its state, and the kind and text of the word."""
    if not isinstance(error, UnexpectedToken) or error.state is None:
        return None
    position = getattr(error.state, "position", None)  # the top of lark's stack of states
    kind = "_NEWLINE" if error.token.type == "$END" else error.token.type
    return position, kind, str(error.token)
