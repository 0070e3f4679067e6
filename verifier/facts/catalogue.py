"""The tests a rule set knows, and how one connection's words map onto them."""

from collections.abc import Mapping
from decimal import Decimal
from typing import Literal

from msgspec import Struct

from verifier.facts.presentation import Presentation

Handling = Literal["ignore", "hold"]
Presence = Literal["required", "may be missing"]


class TestDefinition(Struct, frozen=True):
    """A test of the rule set. `unit` is UCUM; `molar_mass` in g/mol converts mass to amount.

    `charge` (1 for Na+, 2 for Ca2+) converts equivalents to amount.

    `codes` are pairs of coding system (``LN`` for LOINC, ``L`` for local) and code. `kind` is
    ``index`` for an interference index: a fact for rules, never a finding about the patient;
    ``titer`` for dilutions such as 1:160, without unit. `present` is how results are shown where
    the site has chosen conventional units.
    """

    __test__ = False  # not a test case, whatever its name says to pytest

    name: str
    title: str
    codes: tuple[tuple[str, str], ...] = ()
    specimens: tuple[str, ...] = ()
    unit: str = ""
    decimals: int | None = None
    molar_mass: Decimal | None = None
    charge: int | None = None
    kind: Literal["quantity", "index", "words", "titer"] = "quantity"
    controlled: bool = True
    present: Presentation | None = None


class Catalogue(Struct, frozen=True):
    """All tests of a rule set, by name and by (system, code)."""

    tests: Mapping[str, TestDefinition]
    by_code: Mapping[tuple[str, str], str]


class ConnectionMap(Struct, frozen=True):
    """How one connection's codes, units, specimen types and flags are to be read.

    `specimens` maps specimen types; the empty word stands for a type that was not sent.
    `collection_time` says whether results without one may leave.
    `tests` maps the sender's code to a test name; a code not listed is looked up in the catalogue.
    `units` maps the sender's spelling to UCUM. `flags` says what an OBX-8 code does; `zone` is the
    IANA zone of times without offset; `controls` are specimen keys or prefixes that mark a control
    specimen; `indices` maps ``hemolysis``/``lipemia``/``icterus`` of SAC-32…37 to test names.
    """

    name: str
    tests: Mapping[str, str] = {}
    units: Mapping[str, str] = {}
    specimens: Mapping[str, str] = {}
    flags: Mapping[str, Handling] = {}
    zone: str = "UTC"
    charset: str = ""
    controls: tuple[str, ...] = ()
    indices: Mapping[str, str] = {}
    comparator_in_numeric: bool = False
    collection_time: Presence = "required"
