"""Finds the rules that certainly say nothing, in straight-line Python, before any closure runs.

Most results are unremarkable, so most conditions are certainly false. Where every number a
condition reads is exact, three-valued logic is the two-valued one of Python: such conditions are
written out as one function for all rules of a test, each fact read once. A rule that may speak,
or reads anything not exactly known, is left to its closure, which alone decides what it says.

The text that is compiled is made of names given here and fixed signs; no word of a rule file is
ever part of it.
"""

from collections.abc import Callable, Hashable, Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal, DecimalException
from typing import Any, Protocol, TypeVar

from verifier.language.scene import ARITHMETIC, COMPARISON, Scene

DEEPEST = 40  # Python's own parser ends at 200 nested parentheses
_WORK = {"+": ARITHMETIC.add, "-": ARITHMETIC.subtract, "*": ARITHMETIC.multiply,
         "/": ARITHMETIC.divide}  # fmt: skip
_CALLED = {"+": "add", "-": "subtract", "*": "multiply", "/": "divide"}


@dataclass(frozen=True, slots=True)
class Fixed:
    """A number written in a rule."""

    value: Decimal
    depth: int = 0


@dataclass(frozen=True, slots=True)
class Read:
    """A fact: `run` reads it; equal keys read the same. `kind` is the class of a known one.

    One that was `worked` out of others is compared at 20 digits.
    """

    key: Hashable
    run: Callable[[Scene], Any]
    kind: type
    depth: int = 0
    worked: bool = False


@dataclass(frozen=True, slots=True)
class Joined:
    """Parts put together; `form` is Python with a blank for each part."""

    form: str
    parts: "tuple[Sketch, ...]"
    depth: int


Sketch = Fixed | Read | Joined


class _Sketched(Protocol):
    @property
    def run(self) -> Callable[[Scene], Any]: ...
    @property
    def constant(self) -> Decimal | bool | None: ...
    @property
    def sketch(self) -> Sketch | None: ...
    @property
    def is_number(self) -> bool: ...


class _Rule(Protocol):
    @property
    def typed(self) -> _Sketched: ...


R = TypeVar("R", bound=_Rule)
Screen = Callable[[Scene], Sequence[R]]


def sketch_of(typed: _Sketched) -> Sketch:
    """Return how an expression is written; one that is not written out is read as a whole."""
    if isinstance(typed.constant, Decimal):
        return Fixed(typed.constant)
    if typed.sketch is not None and typed.sketch.depth < DEEPEST:
        return typed.sketch
    return Read(("run", id(typed.run)), typed.run, Decimal if typed.is_number else bool)


def joined(form: str, *parts: _Sketched) -> Joined:
    """Return parts put together."""
    found = tuple(sketch_of(part) for part in parts)
    return Joined(form, found, 1 + max(part.depth for part in found))


def is_worked(side: _Sketched) -> bool:
    """Return whether a number was worked out, not read or written."""
    if side.constant is not None:
        return False
    return side.sketch.worked if isinstance(side.sketch, Read) else True


def compared(sign: str, left: _Sketched, right: _Sketched) -> Joined:
    """Return a comparison."""
    blank = "rounded({})" if is_worked(left) or is_worked(right) else "{}"
    return joined(f"({blank} {'==' if sign == '=' else sign} {blank})", left, right)


def worked(operator: str, left: _Sketched, right: _Sketched) -> Joined | None:
    """Return arithmetic, None for what is not written out."""
    called = _CALLED.get(operator)
    return joined(f"{called}({{}}, {{}})", left, right) if called else None


def chained(word: str, parts: Sequence[_Sketched]) -> Joined:
    """Return parts joined by ``and`` or ``or``."""
    return joined(f"({f' {word} '.join('{}' for _ in parts)})", *parts)


class _Writer:
    """Gives names to what the function reads and compares with."""

    def __init__(self) -> None:
        self.space: dict[str, Any] = {
            **{_CALLED[sign]: work for sign, work in _WORK.items()},
            "rounded": COMPARISON.plus,
            "Decimal": Decimal,
            "bool": bool,
            "DecimalException": DecimalException,
        }
        self.reads: dict[Hashable, tuple[str, Read]] = {}

    def name(self, value: object) -> str:
        """Return a name for a value."""
        given = f"v{len(self.space)}"
        self.space[given] = value
        return given

    def text(self, sketch: Sketch) -> str:
        """Return a sketch as Python."""
        match sketch:
            case Fixed(value):
                return self.name(value)
            case Read(key):
                if key not in self.reads:
                    self.reads[key] = (f"a{len(self.reads)}", sketch)
                return self.reads[key][0]
            case Joined(form, parts):
                return form.format(*(self.text(part) for part in parts))


def screen(rules: Sequence[R]) -> Screen[R]:
    """Return what picks the rules that may speak of a scene, in their order."""
    writer = _Writer()
    sketches = [sketch_of(rule.typed) for rule in rules]
    tests = [writer.text(sketch) for sketch in sketches]
    known = {name: f"{name}.__class__ is {read.kind.__name__}" for name, read in _named(writer)}
    lines = [f" {name} = {writer.name(read.run)}(scene)" for name, read in _named(writer)]
    lines += [" may = ()", " try:", f"  if {' and '.join(known.values()) or 'True'}:"]
    names = [writer.name((rule,)) for rule in rules]
    lines += [f"   if {test}: may += {name}" for test, name in zip(tests, names, strict=True)]
    lines += ["   return may"]
    for test, name, sketch in zip(tests, names, sketches, strict=True):
        sure = " and ".join(known[writer.reads[key][0]] for key in sorted(_keys(sketch), key=str))
        lines += [f"  if not ({sure or 'True'}) or {test}: may += {name}"]
    lines += ["  return may", f" except DecimalException: return {writer.name(tuple(rules))}"]
    source = "\n".join(["def picked(scene):", *lines])
    exec(source, writer.space)  # noqa: S102 - see the top of this file
    picked: Screen[R] = writer.space["picked"]
    return picked


def _named(writer: _Writer) -> Iterator[tuple[str, Read]]:
    yield from writer.reads.values()


def _keys(sketch: Sketch) -> set[Hashable]:
    match sketch:
        case Read(key):
            return {key}
        case Joined(_, parts):
            return {key for part in parts for key in _keys(part)}
        case _:
            return set()
