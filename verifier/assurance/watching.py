"""Records what every condition of a rule set answers while cases are judged."""

from typing import NamedTuple, TypeAlias

from verifier.language import tree
from verifier.language.comparing import Test
from verifier.language.scene import Scene
from verifier.language.source import Span
from verifier.language.truth import Truth

Answered: TypeAlias = bool | None  # None is unknown


class Key(NamedTuple):
    """One condition as it stands in a file; two of one place differ in what they are."""

    span: Span
    what: str


class Said(NamedTuple):
    """What a condition answered; `test` is the one `result` stood for, or ""."""

    key: Key
    test: str
    truth: Answered


def key_of(node: tree.Expression) -> Key:
    """Return the key of a condition."""
    return Key(node.span, type(node).__name__)


class Recorder:
    """A watch for `check`: remembers the conditions it saw compiled, and what each answers."""

    def __init__(self) -> None:
        self.conditions: dict[Key, tree.Expression] = {}
        self._now: set[Said] = set()

    def __call__(self, node: tree.Expression, test: str, run: Test) -> Test:
        """Return the condition with its answers recorded."""
        key = key_of(node)
        self.conditions[key] = node
        yes, no, unknown = (Said(key, test, truth) for truth in (True, False, None))

        def recorded(scene: Scene) -> Truth:
            truth = run(scene)
            self._now.add(yes if truth is True else no if truth is False else unknown)
            return truth

        return recorded

    def taken(self) -> frozenset[Said]:
        """Return what was answered since this was last asked."""
        found = frozenset(self._now)
        self._now.clear()
        return found
