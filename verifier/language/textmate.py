"""Makes a TextMate grammar, for highlighting in editors, from the grammar of the language."""

import json
import re
from typing import Any

from verifier.language.reader import STATEMENTS, parser
from verifier.language.symbols import FUNCTIONS, HISTORIES

SCOPE = "source.laboratory-rules"
_WORD = re.compile(r"[A-Za-z][A-Za-z-]+")


def keywords() -> list[str]:
    """Return the words of the language, the longest first so that none hides another."""
    values = {str(terminal.pattern.value) for terminal in parser().terminals}
    words = {word for word in values if _WORD.fullmatch(word)}
    return sorted(words, key=lambda word: (-len(word), word))


def grammar() -> dict[str, Any]:
    """Return the TextMate grammar as plain values."""
    parts = [
        _comment(), _text(), _head(), _code(), _dilution(), _amount(), _function(), _keyword(),
        _sign(),
    ]  # fmt: skip
    return {
        "name": "Laboratory rules",
        "scopeName": SCOPE,
        "fileTypes": ["rules"],
        "patterns": parts,
    }


def as_json() -> str:
    """Return the TextMate grammar as a JSON text."""
    return json.dumps(grammar(), indent=2, ensure_ascii=False)


def _pattern(name: str) -> str:
    """Return the regular expression of a terminal of the grammar."""
    found = next(terminal for terminal in parser().terminals if terminal.name == name)
    return str(found.pattern.to_regexp())


def _words(words: list[str] | tuple[str, ...]) -> str:
    return rf"(?<![\w-])({'|'.join(map(re.escape, words))})(?![\w-])"


def _scope(name: str) -> str:
    return f"{name}.laboratory-rules"


def _comment() -> dict[str, Any]:
    return {"name": _scope("comment.line.number-sign"), "match": "#.*$"}


def _text() -> dict[str, Any]:
    blank = {"name": _scope("variable.other.blank"), "match": r"\{[^{}\"]*\}"}
    # A text never runs over the end of a line, with or without its closing mark.
    ends = {"begin": '"', "end": '"|$'}
    return {"name": _scope("string.quoted.double"), **ends, "patterns": [blank]}


def _head() -> dict[str, Any]:
    return {
        "match": rf"^({'|'.join(STATEMENTS)})\b(?:\s+(?!for\b)({_pattern('RULE_NAME')}))?",
        "captures": {
            "1": {"name": _scope("keyword.control")},
            "2": {"name": _scope("entity.name.type")},
        },
    }


def _code() -> dict[str, Any]:
    return {
        "match": rf"(?<![\w-])(LOINC)\s+({_pattern('LOINC_CODE')})",
        "captures": {
            "1": {"name": _scope("keyword.other")},
            "2": {"name": _scope("constant.other.code")},
        },
    }


def _dilution() -> dict[str, Any]:
    pattern = rf"(?<![\w.:]){_pattern('DILUTION')}(?![\w.:])"
    return {"name": _scope("constant.numeric"), "match": pattern}


def _amount() -> dict[str, Any]:
    unit = rf"(?!{_words(keywords())})({_pattern('UNIT')})"
    return {
        "match": rf"(?<![\w.])({_pattern('NUMBER')})(?:[ \t]*{unit})?",
        "captures": {
            "1": {"name": _scope("constant.numeric")},
            # Groups of the terminals and of the keywords count too.
            str(2 + _groups(_pattern("NUMBER")) + 1): {"name": _scope("support.constant.unit")},
        },
    }


def _groups(pattern: str) -> int:
    return re.compile(pattern).groups


def _function() -> dict[str, Any]:
    names = [*FUNCTIONS, *(name for name in HISTORIES if " " not in name)]
    return {"name": _scope("support.function"), "match": _words(names) + r"(?=\s*\()"}


def _keyword() -> dict[str, Any]:
    return {"name": _scope("keyword.other"), "match": _words(keywords())}


def _sign() -> dict[str, Any]:
    signs = "|".join(_pattern(name) for name in ("COMPARISON", "SIGN", "STEP"))
    return {"name": _scope("keyword.operator"), "match": signs}
