"""Texts with blanks: ``"{test} {result} is beyond the critical limit {limit}"``."""

import re
from collections.abc import Callable

from verifier.facts.verdicts import Fact
from verifier.language import facttexts, tree
from verifier.language.findings import Findings
from verifier.language.scene import Scene
from verifier.language.symbols import Symbols
from verifier.language.typed import Typed

_BLANK = re.compile(r"\{([^{}]*)\}")
Fill = Callable[[Scene], str]


def compiled(
    text: tree.Word, symbols: Symbols, findings: Findings, test: str, condition: Typed
) -> Fill:
    """Return a text whose blanks are filled from a scene; blanks that name nothing are noted."""
    pieces: list[str | Fill] = []
    end = 0
    for blank in _BLANK.finditer(text.text):
        pieces += [text.text[end : blank.start()]]
        pieces += [_filler(blank.group(1), text, symbols, findings, test, condition)]
        end = blank.end()
    pieces.append(text.text[end:])
    fixed = tuple(pieces)
    return lambda scene: "".join(p if isinstance(p, str) else p(scene) for p in fixed)


def _filler(
    name: str, text: tree.Word, symbols: Symbols, findings: Findings, test: str, condition: Typed
) -> str | Fill:
    shown = {fact.key: fact.show for fact in condition.facts}
    earlier, preceding = (
        [key for key in shown if key.startswith(f"{word} ")] for word in ("earlier", "preceding")
    )
    if name == "test" and test:
        return symbols.title(test)
    if name == "result" and test:
        return _of(facttexts.the_result(symbols, test).show)
    if name == "limit" and condition.checks:
        return lambda scene: _limit(condition, scene)
    if name == "earlier" and earlier:
        return _of(shown[earlier[0]])
    if name == "specimen age" and name in shown:
        return _of(shown[name])
    if name == "preceding" and preceding:
        return _of(shown[preceding[0]])
    if name in symbols.kinds:
        return _of(facttexts.named(symbols, name).show)
    if name in symbols.parameters:
        return _of(facttexts.parameter(symbols.parameters[name]).show)
    if name in symbols.broken or condition.broken:
        return ""
    known = {*symbols.kinds, *symbols.parameters}
    known |= {"test", "result"} if test else set()
    known |= {"limit"} if condition.checks or condition.constant is False else set()
    known |= {"earlier"} if earlier else set()
    known |= {"preceding"} if preceding else set()
    known |= {"specimen age"} & shown.keys()
    if name in known or condition.constant is False:
        return ""
    findings.add(
        "R403", text.span, f"nothing here is called {{{name}}}",
        meaning="known blanks: " + ", ".join(f"{{{word}}}" for word in sorted(known)) + ".",
        fix="name a test, or write the words out",
    )  # fmt: skip
    return ""


def _of(show: Callable[[Scene], Fact | None]) -> Fill:
    def fill(scene: Scene) -> str:
        fact = show(scene)
        return facttexts.with_unit(fact.value, fact.unit) if fact else "not known"

    return fill


def _limit(condition: Typed, scene: Scene) -> str:
    """Return the limit that decided: the first whose comparison is true."""
    for check in condition.checks:
        if check.truth(scene) is True:
            fact = check.limit(scene)
            return fact.value if fact else "not known"
    return "not known"
