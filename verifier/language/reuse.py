"""Takes over what the check before made of a part of the rule set, where all it rests on stands.

What is made of a rule for a test rests on what the rule says, on what the names in it stand for,
and on the test. A name stands for the statements that declare it and those that set limits for it,
with what these name. Nothing in which anything was found is taken over: it is looked at again, so
that it is found again.
"""

import re
from collections.abc import Callable, Hashable, Iterator
from typing import Any, NamedTuple, TypeAlias, TypeVar

from verifier.language import tree
from verifier.language.findings import Findings
from verifier.language.memory import Kept, Memory, Shape
from verifier.language.reach import Reach
from verifier.language.reader import Reading

_NAME = re.compile(r"[A-Za-z][A-Za-z0-9_-]*")
_BROKEN = "a statement that could not be read"
_DECLARING = (tree.Group, tree.Parameter, tree.Population, tree.Test, tree.Derive, tree.Rule)

Parts: TypeAlias = list[Shape | str | None]
Value = TypeVar("Value")


class _Made(NamedTuple):
    value: Any
    of: tuple[object, ...]
    meant: tuple[Shape | None, ...]
    reach: Reach | None


class Reuse:
    """What a memory holds of the check before, and what of it stands in this one.

    `world` is what everything rests on; `reach` notes what is taken over and what is made.
    """

    def __init__(
        self, reading: Reading, world: object, findings: Findings, memory: Memory, reach: Reach
    ) -> None:
        self.memory, self._findings, self._reach = memory, findings, reach
        memory.made.begin(world)
        self._meant: dict[str, Shape] = {}
        self._read(reading)
        self._by_node: dict[int, Shape] = {}

    def of(self, what: object, part: tree.Node, test: str, make: Callable[[], Value]) -> Value:
        """Return what is made of a statement for a test, or for none, wherever it stands.

        `make` may rest on what the statement says, on what the names in it and the test stand for,
        and on the world, and on nothing else; no place in what it returns may count for anything.
        """
        value: Value = self.kept(self.memory.made, what, (part,), test, make)
        return value

    def here(self, what: object, part: tree.Node, test: str, make: Callable[[], Value]) -> Value:
        """Return the same of a statement of which also the place counts."""
        key = (what, test, id(part))  # the part is kept as well, so no id is used again
        value: Value = self._taken(self.memory.made, key, (part,), self._named(test, part), make)
        return value

    def kept(
        self,
        memory: Kept[Any, Any],
        what: object,
        parts: tuple[tree.Node, ...],
        test: str,
        make: Callable[[], Value],
    ) -> Value:
        """Return what is made of several parts, wherever they stand, from a part of the memory."""
        shapes = tuple(map(self.memory.shape, parts))
        key = (what, test, *shapes)
        value: Value = self._taken(memory, key, shapes, self._named(test, *parts), make)
        return value

    def _taken(
        self,
        memory: Kept[Any, Any],
        key: Hashable,
        of: tuple[object, ...],
        meant: tuple[Shape | None, ...],
        make: Callable[[], Any],
    ) -> Any:
        found: _Made | None = memory.get(key)
        if found is None or found.meant != meant:
            asked, reach = self._findings.asked, Reach()
            self._reach.put_apart(reach)
            value = make()
            self._reach.put_apart(reach)
            found = _Made(value, of, meant, reach if reach else None)
            if self._findings.asked == asked:
                memory.put(key, found)
        if found.reach:
            self._reach.add(found.reach)
        return found.value

    # --- what names stand for ---

    def _named(self, test: str, *parts: tree.Node) -> tuple[Shape | None, ...]:
        return (self._meant.get(test), *[self._named_in(part) for part in parts])

    def _named_in(self, part: tree.Node) -> Shape:
        found = self._by_node.get(id(part))
        if found is None:
            known = [self._meant.get(word) for word in self.memory.once(names_of, part)]
            found = self._by_node[id(part)] = self.memory.shape_of(known)
        return found

    def _read(self, reading: Reading) -> None:
        declared: dict[str, Parts] = {name: [_BROKEN] for name in sorted(reading.broken)}
        limited: dict[str, Parts] = {}
        shape = self.memory.shape
        limits = [item for item in reading.declarations if isinstance(item, tree.Limits)]
        for item in reading.declarations:
            if isinstance(item, _DECLARING):
                declared.setdefault(item.name.text, []).append(shape(item))
        own = {name: self.memory.shape_of(parts) for name, parts in declared.items()}
        for item in limits:
            resting: Parts = [
                shape(item),
                *(own.get(word) for word in self.memory.once(names_of, item)),
            ]
            for test in item.tests:
                limited.setdefault(test.text, []).extend(resting)
        self._meant = own | {
            name: self.memory.shape_of([own.get(name), *parts]) for name, parts in limited.items()
        }


def names_of(part: tree.Node) -> tuple[str, ...]:
    """Return every word of a part of a rule set that could be a name, also those in its texts."""
    return tuple(sorted({word for text in _texts(part) for word in _NAME.findall(text)}))


def _texts(part: object) -> Iterator[str]:
    waiting = [part]
    while waiting:
        item = waiting.pop()
        if isinstance(item, str):
            yield item
        elif isinstance(item, tuple):
            waiting += item
        elif isinstance(item, tree.Node):
            fields = item.__dataclass_fields__
            waiting += [getattr(item, name) for name in fields if name != "span"]
