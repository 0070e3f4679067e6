"""Labeled messages: a file of HL7 messages with what is true of each, one JSON object a line.

The first line is the header, every other one a case. Nothing of the form is particular to how the
cases came about: a laboratory labels its own messages the same way.
"""

from typing import Any, Literal, TypeVar

import msgspec
from msgspec import Struct

from verifier.errors import VerifierError

FORM = 1
_Line = TypeVar("_Line")
Harm = Literal["none", "beyond allowable", "critical"]


class CasesError(VerifierError):
    """A file of labeled messages can not be used; says which line and why."""


class Label(Struct, frozen=True, forbid_unknown_fields=True):
    """What is true of one result.

    `true` is the value it should have, for people to read. `kinds` are the faults that touched it
    and the reasons a person should see it for. `harm` is what the difference can do.
    """

    true: str = ""
    kinds: tuple[str, ...] = ()
    harm: Harm = "none"


class SpecimenLabel(Struct, frozen=True, forbid_unknown_fields=True):
    """What is true of one specimen: `kinds` of all of it, `results` by the sender's code."""

    kinds: tuple[str, ...] = ()
    results: dict[str, Label] = {}


class CaseLabel(Struct, frozen=True, forbid_unknown_fields=True, rename={"group": "class"}):
    """What is true of one message: the kind of patient, and its specimens by identifier."""

    group: str = ""
    specimens: dict[str, SpecimenLabel] = {}


class LabeledMessage(Struct, frozen=True, forbid_unknown_fields=True):
    """One line: the message, segments ended by carriage returns, and its label."""

    message: str
    truth: CaseLabel


class Header(Struct, frozen=True, forbid_unknown_fields=True):
    """The first line.

    `faults` and `reasons` are all kinds that labels use: what spoils a result, and what a person
    should see although it is right. `aims` says for each rule which of them it is meant for.
    `connection` describes the sender as a connection of the settings does, without its port.
    """

    cases: int
    title: str = ""
    faults: tuple[str, ...] = ()
    reasons: tuple[str, ...] = ()
    aims: dict[str, tuple[str, ...]] = {}
    connection: dict[str, Any] = {}

    @property
    def kinds(self) -> frozenset[str]:
        """Return every kind there is."""
        return frozenset((*self.faults, *self.reasons))


_HEADER = msgspec.json.Decoder(Header)
_CASE = msgspec.json.Decoder(LabeledMessage)


def read_header(line: bytes, place: str) -> Header:
    """Read the first line; `place` names file and line in errors.

    Raises:
        CasesError: it is no header, or an aim names a kind that is not declared.
    """
    header = _decoded(_HEADER, line, place, "the header")
    if header.cases != FORM:
        raise CasesError(f'{place}: "cases" is {header.cases}; this program reads form {FORM}')
    for rule, kinds in header.aims.items():
        for kind in kinds:
            if kind not in header.kinds:
                raise CasesError(f"{place}: {_undeclared(kind)} (aims of {rule})")
    return header


def read_case(line: bytes, header: Header, place: str) -> LabeledMessage:
    """Read any other line.

    Raises:
        CasesError: it is no case, or it uses a kind that the header does not declare.
    """
    case = _decoded(_CASE, line, place, "a labeled message")
    for specimen in case.truth.specimens.values():
        used = {kind for label in specimen.results.values() for kind in label.kinds}
        for kind in sorted((used | set(specimen.kinds)) - header.kinds):
            raise CasesError(f"{place}: {_undeclared(kind)}")
    return case


def _undeclared(kind: str) -> str:
    return f"the kind {kind!r} stands neither in faults nor in reasons of the header"


def _decoded(decoder: "msgspec.json.Decoder[_Line]", line: bytes, place: str, what: str) -> _Line:
    try:
        return decoder.decode(line)
    except msgspec.MsgspecError as error:
        raise CasesError(f"{place}: this is not {what}: {error}") from error


def label_of(truth: CaseLabel, specimen: str, code: str) -> Label:
    """Return the label of one result, an empty one if there is none."""
    found = truth.specimens.get(specimen)
    return found.results.get(code, _NOTHING) if found else _NOTHING


def kinds_of(truth: CaseLabel, specimen: str) -> tuple[str, ...]:
    """Return the kinds of a whole specimen."""
    found = truth.specimens.get(specimen)
    return found.kinds if found else ()


_NOTHING = Label()
