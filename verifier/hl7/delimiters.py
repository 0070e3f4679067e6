"""The delimiters a message declares in MSH-1 and MSH-2 (HL7 v2.5.1 section 2.5.4)."""

from typing import NamedTuple


class Delimiters(NamedTuple):
    """The characters that cut a message; `truncation` exists from HL7 2.7 on, else it is empty."""

    field: str = "|"
    component: str = "^"
    repetition: str = "~"
    escape: str = "\\"
    subcomponent: str = "&"
    truncation: str = ""

    @property
    def encoding(self) -> str:
        """MSH-2 with four characters, which every version allows."""
        return self.component + self.repetition + self.escape + self.subcomponent


USUAL = Delimiters()


def usable(character: str) -> bool:
    """Whether a character can cut a message: printable ASCII that is not part of a value.

    The double quote is refused because ``""`` is the HL7 null.
    """
    return "!" <= character <= "~" and not character.isalnum() and character != '"'


def read_delimiters(header: str) -> Delimiters | str:
    """Return the delimiters of an MSH segment, or a sentence that says why they can not be used."""
    separator = header[3:4]
    if not separator or not usable(separator):
        return f"MSH-1 is {separator!r}, which can not separate fields"
    encoding = header[4:].split(separator, 1)[0]
    if len(encoding) not in (4, 5):
        return f"MSH-2 has {len(encoding)} characters; it needs four, or five from HL7 2.7 on"
    if not all(map(usable, encoding)) or len({separator, *encoding}) != len(encoding) + 1:
        return f"MSH-1 and MSH-2, {separator + encoding!r}, must be different punctuation marks"
    return Delimiters(separator, *encoding)
