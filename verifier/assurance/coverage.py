"""What has been tested of a rule set: every rule, every part of a condition, every limit edge.

Counts are whole numbers and never rounded. A rule or a part of a condition counts as covered by
scenarios alone: an edge case expects something of a limit, and nothing of a rule.
"""

from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal

from msgspec import Struct

from verifier.assurance.asking import EdgeRun
from verifier.assurance.cases import case_of
from verifier.assurance.running import Heard
from verifier.assurance.watching import Key, Recorder, Said, key_of
from verifier.facts.values import TITER
from verifier.language import tree
from verifier.language.program import Program
from verifier.language.scenarios import ScenarioStep
from verifier.language.scene import plain
from verifier.language.source import Source, Span

FIRED, SILENT = "rules that fired", "rules that did not fire"
TRUE, FALSE, UNKNOWN = "conditions seen true", "conditions seen false", "conditions seen unknown"
BELOW, AT, ABOVE = "values just below a limit", "values at a limit", "values just above a limit"
COUNTED = (FIRED, SILENT, TRUE, FALSE, UNKNOWN, BELOW, AT, ABOVE)
_SIDES = {"below": BELOW, "at": AT, "above": ABOVE}
_TRUTHS = {TRUE: True, FALSE: False, UNKNOWN: None}


class Item(Struct, frozen=True):
    """One thing to cover. `words` are the rule set's own, `what` is one of `COUNTED`.

    `value` is that of an edge case, `note` says why it is not covered where that is known.
    """

    what: str
    place: Span
    words: str
    covered: bool
    note: str = ""
    value: str = ""


class Coverage(Struct, frozen=True):
    """Everything to cover, in the order of the files."""

    items: tuple[Item, ...]

    def count(self, what: str) -> tuple[int, int]:
        """Return how many of one kind are covered, and how many there are."""
        found = [item for item in self.items if item.what == what]
        return sum(item.covered for item in found), len(found)

    @property
    def missing(self) -> tuple[Item, ...]:
        """Everything that is not covered."""
        return tuple(item for item in self.items if not item.covered)


class Touched(Struct, frozen=True):
    """The rules that fired in one scenario, and those that were asked and did not."""

    fired: frozenset[str]
    silent: frozenset[str]


class Seen:
    """Collects what scenarios show of a program compiled with a recorder."""

    def __init__(self, program: Program, recorder: Recorder) -> None:
        self._program, self._recorder = program, recorder
        self.truths: set[tuple[Key, bool | None]] = set()
        self.fired: set[str] = set()
        self.silent: set[str] = set()
        self._fired_here: set[str] = set()
        self._silent_here: set[str] = set()
        self.values: set[tuple[str, Span, Decimal]] = set()
        self._rules = {
            key_of(item.condition): item.name.text
            for item in program.statements
            if isinstance(item, tree.Rule)
        }

    def take(self, steps: Sequence[ScenarioStep], heard: Heard) -> None:
        """Add what was answered since the last step, and what the values of this one touch."""
        said = self._recorder.taken()
        self.truths |= {(item.key, item.truth) for item in said}
        silent = self._asked(said) - heard.fired
        self.fired |= heard.fired
        self.silent |= silent
        self._fired_here |= heard.fired
        self._silent_here |= silent
        scene = self._program.scene(case_of(self._program.catalogue, steps))
        for (test, _), rows in self._program.tables.rows.items():
            value = scene.values[test]
            if isinstance(value, Decimal):
                fitting = [
                    r for r in rows if not r.population or scene.populations[r.population] is True
                ]
                self.values |= {(test, row.span, value) for row in fitting}
        self._recorder.taken()

    def touched(self) -> Touched:
        """Return what was touched since this was asked last."""
        found = Touched(frozenset(self._fired_here), frozenset(self._silent_here))
        self._fired_here, self._silent_here = set(), set()
        return found

    def _asked(self, said: Iterable[Said]) -> set[str]:
        return {self._rules[item.key] for item in said if item.key in self._rules}


def coverage_of(
    program: Program, recorder: Recorder, sources: Mapping[str, Source], seen: Seen,
    edges: Iterable[EdgeRun],
) -> Coverage:  # fmt: skip
    """Return what is covered and what is not."""
    items = [*_rules(program, seen), *_parts(program, recorder, sources, seen)]
    items += [_edge(run, seen) for run in edges]
    order = {name: number for number, name in enumerate(COUNTED)}
    return Coverage(
        tuple(sorted(items, key=lambda i: (i.place.file, i.place.start, i.words, order[i.what])))
    )


def _rules(program: Program, seen: Seen) -> Iterable[Item]:
    for rule in program.statements:
        if isinstance(rule, tree.Rule):
            name = rule.name.text
            yield Item(FIRED, rule.name.span, f"rule {name}", name in seen.fired)
            yield Item(SILENT, rule.name.span, f"rule {name}", name in seen.silent)


def _parts(
    program: Program, recorder: Recorder, sources: Mapping[str, Source], seen: Seen
) -> Iterable[Item]:
    judging = [
        item.span
        for item in program.statements
        if isinstance(item, tree.Rule | tree.Population | tree.Derive)
    ]
    for key, node in counted(recorder.conditions).items():
        if any(_inside(key.span, span) for span in judging):
            words = " ".join(sources[key.span.file].masked[key.span.start : key.span.end].split())
            for what, truth in _TRUTHS.items():
                if truth is not None or can_be_unknown(node):
                    yield Item(what, key.span, words, (key, truth) in seen.truths)


def counted(conditions: Mapping[Key, tree.Expression]) -> dict[Key, tree.Expression]:
    """Return the conditions that count: a `not` says nothing that its inside does not.

    Where both stand at one place (`is not known`) the `not` is what is written, and counts.
    """
    negations = [node for node in conditions.values() if isinstance(node, tree.Not)]
    as_one = {node.span for node in negations if node.operand.span == node.span}
    return {
        key: node
        for key, node in conditions.items()
        if isinstance(node, tree.Not) is (key.span in as_one)
    }


def can_be_unknown(node: tree.Expression) -> bool:
    """Return whether a condition can be unknown at all: `is known` never is."""
    match node:
        case tree.IsKnown():
            return False
        case tree.Not():
            return can_be_unknown(node.operand)
        case tree.AllOf() | tree.AnyOf():
            return any(can_be_unknown(part) for part in node.parts)
        case _:
            return True


def _inside(span: Span, other: Span) -> bool:
    return span.file == other.file and other.start <= span.start and span.end <= other.end


def _edge(run: EdgeRun, seen: Seen) -> Item:
    case = run.case
    met = (case.test, case.place, case.value) in seen.values
    covered = run.asked or (case.step is None and met)
    note = case.why_not or ("" if run.asked else "no rule asks for this limit")
    value = plain(case.value, TITER if case.titer else "")
    words = f"{case.test} {case.words}"
    return Item(_SIDES[case.side], case.place, words, covered, "" if covered else note, value)
