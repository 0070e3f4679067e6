"""What one check of a rule set takes over from the check before, so that an edit is told at once.

A memory changes no finding and no program: what was worked out counts again only where everything
it was worked out from is the same. It belongs to one writer at a time; nothing here is locked.

Statements that stand as they stood are the very same objects as in the check before, and what is
said as before has the same shape; so what was worked out of them can be kept by the object.
`reuse.py` says what else it rests on.
"""

from collections.abc import Callable, Hashable, Iterable
from dataclasses import fields, is_dataclass, replace
from typing import Any, Generic, TypeVar
from weakref import WeakValueDictionary

from verifier.language import tree
from verifier.language.source import Span, Statement

Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


class _Entry(Generic[Value]):
    __slots__ = ("asked", "value")

    def __init__(self, value: Value, asked: int) -> None:
        self.value, self.asked = value, asked


class Kept(Generic[Key, Value]):
    """Values by key; those that a whole round did not ask for are forgotten with the next."""

    def __init__(self) -> None:
        self._entries: dict[Key, _Entry[Value]] = {}
        self._round = 0
        self._world: object = None

    def begin(self, world: object = None) -> None:
        """Begin a round; in another world nothing that was kept counts."""
        last = self._round if world == self._world else None
        self._entries = {key: each for key, each in self._entries.items() if each.asked == last}
        self._round, self._world = self._round + 1, world

    def get(self, key: Key) -> Value | None:
        """Return what was kept in this round or the one before."""
        found = self._entries.get(key)
        if found is None:
            return None
        found.asked = self._round
        return found.value

    def put(self, key: Key, value: Value) -> None:
        """Keep a value."""
        self._entries[key] = _Entry(value, self._round)

    def of(self, key: Key, make: Callable[[], Value]) -> Value:
        """Return what was kept, or make it."""
        found = self.get(key)
        if found is None:
            found = make()
            self.put(key, found)
        return found


class Memory:
    """Statements by their text, and what was made of them.

    `groups` are statements with groups spelled out, `made` what was compiled, `patients` those
    tried on limits, `answers` those of conditions.
    """

    def __init__(self) -> None:
        self._statements: Kept[str, tuple[Statement, tree.Declaration]] = Kept()
        self._once: Kept[Hashable, tuple[Any, ...]] = Kept()
        self._shapes: WeakValueDictionary[Hashable, Shape] = WeakValueDictionary()
        self.groups: Kept[int, tuple[tree.Declaration, tree.Declaration]] = Kept()
        self.made: Kept[Hashable, Any] = Kept()
        self.patients: Kept[Hashable, Any] = Kept()
        self.answers: Kept[Hashable, Any] = Kept()

    def begin(self) -> None:
        """Begin to read a rule set."""
        self._statements.begin()
        self._once.begin()

    def once(self, function: Callable[..., Value], *parts: tree.Node) -> Value:
        """Return what a function says of parts of the rule set, asked once while these stand.

        The function must rest on nothing else.
        """
        key = (function, *map(id, parts))  # the parts are kept as well, so no id is used again
        found = self._once.of(key, lambda: (function(*parts), parts))
        value: Value = found[0]
        return value

    def shape(self, part: tree.Node) -> "Shape":
        """Return what a part says, to compare with `is`: the same wherever it stands."""
        return self.once(self._worded, part)

    def _worded(self, part: tree.Node) -> "Shape":
        return self._shapes.setdefault(wording(part), Shape())

    def shape_of(self, parts: Iterable["Shape | str | None"]) -> "Shape":
        """Return what several shapes are together, in their order."""
        return self._shapes.setdefault(tuple(parts), Shape())

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


class Shape:
    """Stands for everything that says the same; equal to nothing but itself."""

    __slots__ = ("__weakref__",)


def wording(part: Any) -> str:
    """Return what a part says, wherever it stands; numbers as they are written, 1.0 not 1.00."""
    if isinstance(part, tree.Node):
        names = [name for name in part.__dataclass_fields__ if name != "span"]
        said = ",".join([wording(getattr(part, name)) for name in names])
        return f"{type(part).__name__}({said})"
    if isinstance(part, tuple):
        return f"({','.join(map(wording, part))})"
    return repr(part)


def moved(part: Any, file: str, by: int) -> Any:
    """Return a part of a rule set as it stands `by` characters further on in a file."""
    if isinstance(part, Span):
        return Span(file, part.start + by, part.end + by)
    if isinstance(part, tuple):
        return tuple(moved(item, file, by) for item in part)
    if not is_dataclass(part) or isinstance(part, type):
        return part
    return replace(part, **{f.name: moved(getattr(part, f.name), file, by) for f in fields(part)})
