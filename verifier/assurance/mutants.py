"""Mutants: a rule set with one small mistake in it, made in its text.

A mistake that no scenario and no edge case notices could be there today, and nobody would know.
"""

import re
from collections.abc import Iterable, Iterator, Mapping
from decimal import Decimal
from itertools import pairwise

from msgspec import Struct

from verifier.assurance.grid import step_of
from verifier.assurance.persons import nodes
from verifier.facts.units import parse_unit
from verifier.facts.values import TITER
from verifier.language import tree
from verifier.language.program import Program
from verifier.language.scene import plain
from verifier.language.source import Source, Span

_FLIPPED = {">=": ">", ">": ">=", "<=": "<", "<": "<="}
_NUMBER = re.compile(r"(?P<lead>[-+]?\s*(?:1:)?)(?P<number>[0-9]+(?:\.[0-9]+)?)")
_EDGES = (  # a stretch of values, and the same with its edge on the other side
    (re.compile(r"^below\s+(.*)$"), r"\1 or below"),
    (re.compile(r"^above\s+(.*)$"), r"\1 or above"),
    (re.compile(r"^(.*?)\s+or\s+below$"), r"below \1"),
    (re.compile(r"^(.*?)\s+or\s+above$"), r"above \1"),
)
_CHOICE = re.compile(r"\bwhen\s+unknown\s+(hold|ignore)\b")
_TEXT = re.compile(r'"[^"\n]*"')
_NEVER = "1 = 2 and ("  # a condition in front of which this stands is certainly false


class Edit(Struct, frozen=True):
    """A stretch of a file, and what stands there instead."""

    place: Span
    text: str


class Mutant(Struct, frozen=True):
    """One mistake: `what` says it in words, `place` where it is.

    `statement` is where the statement stands that it is in; `moves_limits` says that it is in a
    limit row, a parameter or a population, and so may change what a limit says.
    """

    what: str
    place: Span
    edits: tuple[Edit, ...]
    statement: Span
    moves_limits: bool = False


def mutated(files: Mapping[str, str], mutant: Mutant) -> dict[str, str]:
    """Return the files with the mistake in them."""
    made = {name: Source(name, text).text for name, text in files.items()}
    for edit in sorted(mutant.edits, key=lambda item: item.place.start, reverse=True):
        text, place = made[edit.place.file], edit.place
        made[place.file] = text[: place.start] + edit.text + text[place.end :]
    return made


def mutants_of(program: Program, sources: Mapping[str, Source]) -> list[Mutant]:
    """Return every mutant of a rule set, in the order of its files."""
    maker = _Maker(program, sources)
    found = [mutant for item in program.statements for mutant in maker.of(item)]
    # A statement for several tests is there once, and the same mistake is made once.
    unique = {mutant.edits: mutant for mutant in found}
    return sorted(unique.values(), key=lambda m: (m.place.file, m.place.start, m.what))


class _Maker:
    def __init__(self, program: Program, sources: Mapping[str, Source]) -> None:
        self._program, self._sources = program, sources
        self._statement = Span("", 0, 0)

    def of(self, item: tree.Declaration) -> Iterator[Mutant]:
        self._statement = item.span
        match item:
            case tree.Limits():
                yield from self._limits(item)
            case tree.Parameter():
                yield from self._nudged(item.value, "", moves=True)
            case tree.Population():
                yield from self._condition(item, "", moves=True)
            case tree.Derive():
                yield from self._condition(item, "")
            case tree.Rule():
                yield from self._rule(item)

    # --- limits ---

    def _limits(self, item: tree.Limits) -> Iterator[Mutant]:
        test = item.tests[0].text if item.tests else ""
        for row in item.rows:
            if isinstance(row, tree.ChangeRow):
                for amount in nodes(row.most, tree.Amount):
                    yield from self._nudged(amount, test, moves=True)
                continue
            for part in row.parts:
                for end in (part.low, part.high):
                    if isinstance(end, tree.Amount):
                        yield from self._nudged(end, test, moves=True)
                yield from self._edge_flipped(part)

    def _edge_flipped(self, part: tree.Part) -> Iterator[Mutant]:
        words = self._words(part.span)
        for pattern, instead in _EDGES:
            if pattern.match(words):
                text = pattern.sub(instead, words)
                yield self._mutant(f"{words} → {text}", part.span, text, moves=True)

    def _nudged(self, amount: tree.Amount, test: str, *, moves: bool = False) -> Iterator[Mutant]:
        """Yield a number one step lower and one step higher."""
        words = self._words(amount.span)
        found = _NUMBER.match(words)
        if not found or words.startswith("-"):
            return
        for value in self._beside(amount, test):
            text = f"{found['lead']}{plain(value)}{words[found.end() :]}"
            yield self._mutant(f"{words} → {text}", amount.span, text, moves=moves)

    def _beside(self, amount: tree.Amount, test: str) -> list[Decimal]:
        value = amount.value
        if amount.unit == TITER:
            return [value // 2, value * 2] if value > 1 else [value * 2]
        step = step_of(value, self._decimals(amount, test))
        return [value - step, value + step] if value >= step else [value + step]

    def _decimals(self, amount: tree.Amount, test: str) -> int | None:
        """Return the decimals of the test where the number is in its unit, None otherwise."""
        known = self._program.catalogue.tests.get(test)
        if known is None:
            return (
                None if amount.unit or not self._is_derived(test) else self._program.decimals(test)
            )
        same = amount.unit is None or parse_unit(amount.unit) == parse_unit(known.unit)
        return known.decimals if same else None

    def _is_derived(self, test: str) -> bool:
        return any(
            isinstance(d, tree.Derive) and d.name.text == test for d in self._program.statements
        )

    # --- conditions ---

    def _condition(self, node: object, test: str, *, moves: bool = False) -> Iterator[Mutant]:
        for compared in nodes(node, tree.Compare):
            named = _test_of(compared.left, test) or _test_of(compared.right, test)
            for side in (compared.left, compared.right):
                if isinstance(side, tree.Amount):
                    yield from self._nudged(side, named, moves=moves)
            yield from self._operator(compared, moves)
        for between in nodes(node, tree.IsBetween):
            for side in (between.low, between.high):
                if isinstance(side, tree.Amount):
                    yield from self._nudged(side, _test_of(between.operand, test), moves=moves)
        yield from self._joints(nodes(node, tree.AllOf), "and", "or", moves)
        yield from self._joints(nodes(node, tree.AnyOf), "or", "and", moves)

    def _operator(self, node: tree.Compare, moves: bool) -> Iterator[Mutant]:
        flipped = _FLIPPED.get(node.operator)
        ages = (isinstance(s, tree.Age) and not s.in_years for s in (node.left, node.right))
        if flipped is None or any(ages):
            return  # what an age is compared with has one spelling for each meaning
        place = self._found(
            node.left.span.end, node.right.span.start, re.escape(node.operator), node
        )
        if place:
            what = f"{self._words(node.span)}: {node.operator} → {flipped}"
            yield self._mutant(what, place, flipped, moves=moves)

    def _joints(
        self, joined: Iterable[tree.AllOf | tree.AnyOf], word: str, other: str, moves: bool
    ) -> Iterator[Mutant]:
        for node in joined:
            gaps = [
                self._found(left.span.end, right.span.start, rf"\b{word}\b", node)
                for left, right in pairwise(node.parts)
            ]
            edits = tuple(Edit(gap, other) for gap in gaps if gap)
            if len(edits) == len(gaps):
                what = f"{self._words(node.span)}: {word} → {other}"
                yield Mutant(what, node.span, edits, self._statement, moves)

    # --- rules ---

    def _rule(self, rule: tree.Rule) -> Iterator[Mutant]:
        test = rule.tests[0].text if rule.tests and len(rule.tests) == 1 else ""
        yield from self._silenced(rule)
        yield from self._chosen(rule)
        yield from self._condition(rule.condition, test)
        for exempt in rule.exceptions:
            what = f"{self._words(exempt.span)}: left out"
            yield self._mutant(what, exempt.span, "")
            yield from self._condition(exempt.condition, test)

    def _silenced(self, rule: tree.Rule) -> Iterator[Mutant]:
        """Yield the rule that never says anything; one left out would break what names it.

        Its test still counts as covered by a rule, which is the more dangerous of the two.
        """
        start, end = self._with_brackets(rule)
        file = rule.span.file
        edits = (Edit(Span(file, start, start), _NEVER), Edit(Span(file, end, end), ")"))
        what = f"rule {rule.name.text}: left out"
        yield Mutant(what, rule.name.span, edits, self._statement)

    def _with_brackets(self, rule: tree.Rule) -> tuple[int, int]:
        """Return where a condition begins and ends, with brackets that stand around all of it."""
        masked, (_, start, end) = self._sources[rule.span.file].masked, rule.condition.span
        begins = masked.rfind("when", rule.span.start, start) + len("when")
        opened = masked[begins:start].count("(") - masked[start:end].count(")")
        opened += masked[start:end].count("(")
        for _ in range(max(0, opened)):
            end = masked.index(")", end) + 1
        return begins + len(masked[begins:start]) - len(masked[begins:start].lstrip()), end

    def _chosen(self, rule: tree.Rule) -> Iterator[Mutant]:
        masked = self._sources[rule.span.file].masked[rule.span.start : rule.span.end]
        found = _CHOICE.search(_TEXT.sub(lambda text: " " * len(text.group()), masked))
        if found:
            start, end = (rule.span.start + place for place in found.span(1))
            other = "ignore" if found[1] == "hold" else "hold"
            what = f"rule {rule.name.text}: when unknown {found[1]} → {other}"
            yield self._mutant(what, Span(rule.span.file, start, end), other)

    # --- places and words ---

    def _found(self, start: int, end: int, pattern: str, node: tree.Node) -> Span | None:
        match = re.compile(pattern).search(self._sources[node.span.file].masked, start, end)
        return Span(node.span.file, *match.span()) if match else None

    def _words(self, span: Span) -> str:
        return " ".join(self._sources[span.file].masked[span.start : span.end].split())

    def _mutant(self, what: str, place: Span, text: str, *, moves: bool = False) -> Mutant:
        return Mutant(what, place, (Edit(place, text),), self._statement, moves)


def _test_of(node: object, test: str) -> str:
    """Return the test whose decimals a number beside an expression goes by, "" for none."""
    if isinstance(node, tree.TheResult):
        return test
    return node.name if isinstance(node, tree.Name) else ""
