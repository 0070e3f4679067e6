"""What the tests of this room share: the samples, and how the hl7apy library sees a message."""

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hl7apy.parser import parse_message

from verifier.hl7.conformance import tidied
from verifier.hl7.message import Message, Segment

SAMPLES = sorted((Path(__file__).parents[2] / "samples").glob("*.hl7"))
WRONG_BYTES = "38-wrong-bytes-2.5.1.hl7"
READABLE = [path for path in SAMPLES if path.name != WRONG_BYTES]
RESULTS = [path for path in READABLE if not path.name.startswith(("37-", "41-"))]

Leaf = tuple[int, int, int, int, int]  # segment, field, repetition, component, subcomponent


def corpus() -> list[Path]:
    """Public messages, where they lie beside this copy; the tests do without them."""
    beside = Path(__file__).parents[3] / "shared" / "corpus"
    folder = Path(os.environ.get("VERIFIER_CORPUS", beside))
    return sorted(path for path in folder.rglob("*") if path.is_file())


needs_corpus = pytest.mark.skipif(
    not corpus(), reason="the corpus of public messages is not beside this copy"
)


def name_of(path: Path) -> str:
    return path.stem


def sample(start: str) -> Message:
    """The sample whose file name starts with `start`."""
    (path,) = [path for path in SAMPLES if path.name.startswith(start)]
    return Message.read(path.read_bytes())


def library_parse(message: Message) -> Any:
    return parse_message(tidied(message), find_groups=False)


def library_leaves(message: Message) -> dict[Leaf, str]:
    """Every value hl7apy finds in the fields it knows by number, raw."""
    found = {}
    for index, segment in enumerate(library_parse(message).children):
        seen: dict[int, int] = {}
        for field in segment.children:
            if field.name is None:
                continue  # not in the tables of this version: the library has lost its position
            number = int(field.name.rpartition("_")[2])
            rep = seen[number] = seen.get(number, 0) + 1
            for component in field.children:
                for sub in component.children:
                    if text := _raw(sub.value):
                        found[index, number, rep, _last(component), _last(sub)] = text
    return found


def _raw(value: Any) -> str:
    inner = value if isinstance(value, str) else value.value
    # A parsed number or time is written back; a text is not, since that would escape it twice.
    return inner if isinstance(inner, str) else value.to_er7()


def _last(element: Any) -> int:
    tail = (element.name or "").rpartition("_")[2]
    return int(tail) if tail.isdigit() else 1


def known_fields(message: Message) -> dict[int, set[int]]:
    """Per segment the field numbers in the library's tables; all of them for Z-segments."""
    from hl7apy import load_reference

    known = {}
    for segment in message.segments:
        if segment.name.startswith("Z"):
            known[segment.index] = set(range(1, 99))
        else:
            table = load_reference(segment.name, "Segment", message.version)[1]
            known[segment.index] = {int(entry[0].rpartition("_")[2]) for entry in table}
    return known


def our_leaves(message: Message) -> dict[Leaf, str]:
    """The same from our reader."""
    known = known_fields(message)
    return {
        leaf: text
        for segment in message.segments
        for leaf, text in _segment_leaves(segment, message)
        if leaf[1] in known[segment.index]
    }


def _segment_leaves(segment: Segment, message: Message) -> Iterator[tuple[Leaf, str]]:
    marks = message.delimiters
    for number in range(1, len(segment.fields)):
        if segment.name == "MSH" and number <= 2:
            text = segment.field(number)[:4] if message.version < "2.7" else segment.field(number)
            yield (segment.index, number, 1, 1, 1), text
            continue
        for rep, repetition in enumerate(segment.repetitions(number), 1):
            for c, component in enumerate(repetition.split(marks.component), 1):
                for s, sub in enumerate(component.split(marks.subcomponent), 1):
                    if sub:
                        yield (segment.index, number, rep, c, s), sub
