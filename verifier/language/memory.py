"""What one check of a rule set takes over from the check before, so that an edit is told at once.

A memory changes no finding and no program: what was worked out counts again only where everything
it was worked out from is the same. It belongs to one writer at a time; nothing here is locked.
"""

from collections.abc import Callable, Hashable
from dataclasses import fields, is_dataclass, replace
from typing import Any, Generic, TypeVar

from verifier.language import tree
from verifier.language.source import Span, Statement

Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


class Kept(Generic[Key, Value]):
    """Values by key; those that a whole round did not ask for are forgotten with the next."""

    def __init__(self) -> None:
        self._before: dict[Key, Value] = {}
        self._now: dict[Key, Value] = {}
        self._world: object = None

    def begin(self, world: object = None) -> None:
        """Begin a round; in another world nothing that was kept counts."""
        same = world == self._world
        self._before, self._now, self._world = (self._now if same else {}), {}, world

    def get(self, key: Key) -> Value | None:
        """Return what was kept in this round or the one before."""
        if key not in self._now and key in self._before:
            self._now[key] = self._before[key]
        return self._now.get(key)

    def put(self, key: Key, value: Value) -> None:
        """Keep a value."""
        self._now[key] = value

    def of(self, key: Key, make: Callable[[], Value]) -> Value:
        """Return what was kept, or make it."""
        if self.get(key) is None:
            self.put(key, make())
        return self._now[key]


class Memory:
    """Statements by their text, patients tried on limits, and answers of conditions."""

    def __init__(self) -> None:
        self._statements: Kept[str, tuple[Statement, tree.Declaration]] = Kept()
        self.patients: Kept[Hashable, Any] = Kept()
        self.answers: Kept[Hashable, Any] = Kept()

    def begin(self) -> None:
        """Begin to read a rule set."""
        self._statements.begin()

    def declaration(self, statement: Statement) -> tree.Declaration | None:
        """Return what a statement of this text declared, at the place where it stands now."""
        found = self._statements.get(statement.text)
        if found is None:
            return None
        before, declared = found
        if (before.file, before.start) != (statement.file, statement.start):
            declared = moved(declared, statement.file, statement.start - before.start)
            self._statements.put(statement.text, (statement, declared))
        return declared

    def keep(self, statement: Statement, declared: tree.Declaration) -> None:
        """Keep what a statement without any finding of its own declares."""
        self._statements.put(statement.text, (statement, declared))


def moved(part: Any, file: str, by: int) -> Any:
    """Return a part of a rule set as it stands `by` characters further on in a file."""
    if isinstance(part, Span):
        return Span(file, part.start + by, part.end + by)
    if isinstance(part, tuple):
        return tuple(moved(item, file, by) for item in part)
    if not is_dataclass(part) or isinstance(part, type):
        return part
    return replace(part, **{f.name: moved(getattr(part, f.name), file, by) for f in fields(part)})
