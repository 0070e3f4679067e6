r"""Escape sequences (HL7 v2.5.1 section 2.7): decoded for people, encoded for what we write.

Decoding happens after splitting, so that ``\X0D\`` can never make a new segment. Decoded text is
for looking at and comparing; what is forwarded is the text as it was sent.
"""

from functools import lru_cache

from verifier.hl7.delimiters import Delimiters

_MOST_BLANKS = 80  # `\.sp9999\` asks for more than any report needs
_PAINT = {"H": "", "N": ""}  # highlighting on and off
_LAYOUT = {"br": "\n", "ce": "\n", "fi": "", "nf": "", "in": "", "ti": ""}


def decode(text: str, delimiters: Delimiters, codec: str = "ascii") -> str:
    r"""Return `text` with its escape sequences replaced; an unknown one stays as it is.

    `codec` is the Python codec that ``\Xdd..\`` is read with.
    """
    mark = delimiters.escape
    if mark not in text:
        return text
    marks = {
        "F": delimiters.field,
        "S": delimiters.component,
        "T": delimiters.subcomponent,
        "R": delimiters.repetition,
        "E": mark,
        "P": delimiters.truncation or "#",
    } | _PAINT
    done: list[str] = []
    position = 0
    while (start := text.find(mark, position)) >= 0:
        end = text.find(mark, start + 1)
        meaning = None if end < 0 else _meaning(text[start + 1 : end], marks, codec)
        if meaning is None:  # not an escape: the mark itself is text, the next one may begin one
            done.append(text[position : start + 1])
            position = start + 1
        else:
            done += text[position:start], meaning
            position = end + 1
    return "".join(done) + text[position:]


def _meaning(name: str, marks: dict[str, str], codec: str) -> str | None:
    if name in marks:
        return marks[name]
    if name.startswith("X"):
        return _bytes(name[1:], codec)
    if name.startswith("."):
        return _layout(name[1:])
    return None


def _bytes(digits: str, codec: str) -> str | None:
    try:
        return bytes.fromhex(digits).decode(codec) if digits else None
    except ValueError:
        return None


def _layout(command: str) -> str | None:
    name, amount = command[:2], command[2:].strip()
    count = int(amount) if amount.isascii() and amount.lstrip("+").isdigit() else 1
    if name == "sp":
        return "\n" * min(count, _MOST_BLANKS)
    if name == "sk":
        return " " * min(count, _MOST_BLANKS)
    return _LAYOUT.get(name)


def encode(text: str, delimiters: Delimiters) -> str:
    """Return `text` with everything that would cut a message escaped: `decode` undoes it."""
    return text.translate(_table(delimiters))


@lru_cache(maxsize=64)
def _table(delimiters: Delimiters) -> dict[int, str]:
    mark = delimiters.escape
    letters = {
        mark: "E",
        delimiters.field: "F",
        delimiters.component: "S",
        delimiters.subcomponent: "T",
        delimiters.repetition: "R",
        "\r": "X0D",
        "\n": ".br",
    }
    if delimiters.truncation:
        letters[delimiters.truncation] = "P"
    # A mark that is itself a letter of an escape name can not be: `usable` refuses letters.
    return {ord(character): f"{mark}{name}{mark}" for character, name in letters.items()}
