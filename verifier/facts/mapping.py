"""From the sender's codes, units and flags to the tests of the rule set, with every doubt said.

A `Mapper` belongs to one catalogue and one connection and remembers what it worked out, so that a
code or a unit costs its look-up once.
"""

from collections.abc import Iterator
from decimal import Decimal
from functools import lru_cache

from msgspec import Struct

from verifier.facts.catalogue import Catalogue, ConnectionMap, TestDefinition
from verifier.facts.numbers import read_titer, read_value, value_text
from verifier.facts.report import Observation
from verifier.facts.units import convert, parse_unit
from verifier.facts.values import (
    Absent,
    Between,
    Number,
    Titer,
    TiterBetween,
    Unreadable,
    Value,
    Words,
)

# Flags of HL7 table 0078 that say only where a value lies in the sender's own interval.
HARMLESS = frozenset({"N", "L", "H"})
STATUSES = {
    "": "no result status",
    "P": "preliminary",
    "R": "entered, not verified",
    "S": "partial",
    "I": "pending in the laboratory",
    "O": "ordered only",
    "N": "not asked for",
    "X": "no result can be obtained",
    "U": "final by status alone, without a value",
}
_TITER_UNITS = {"{titer}", "{titre}", "titer", "titre"}  # UCUM leaves what is in braces free
_MOLES = "mol/mol"
_SYSTEMS = {"LN": "LN", "LOINC": "LN"}


class Fault(Struct, frozen=True):
    """What keeps a result from leaving: the name of the safeguard and a sentence."""

    name: str
    text: str


class Reading(Struct, frozen=True):
    """An observation in the terms of the rule set."""

    test: str
    title: str
    value: Value
    unit: str
    faults: tuple[Fault, ...]


class Mapper:
    """Reads observations of one connection in the terms of one catalogue."""

    def __init__(self, catalogue: Catalogue, connection: ConnectionMap) -> None:
        self.catalogue, self.connection = catalogue, connection
        self._found = lru_cache(maxsize=8192)(self._find)
        self._unit = lru_cache(maxsize=1024)(lambda text: parse_unit(text, connection.units))

    def read(self, observation: Observation, specimen_type: str) -> Reading:
        """Return test, converted value and faults of one observation."""
        found = self._found(
            observation.system,
            observation.code,
            observation.alternate_system,
            observation.alternate_code,
        )
        value = read_value(
            observation.kind,
            observation.text,
            observation.null,
            comparator_in_numeric=self.connection.comparator_in_numeric,
        )
        faults = [*_status_faults(observation), *self._flag_faults(observation)]
        if isinstance(found, Fault):
            name = observation.name or observation.code
            unit = observation.unit
            return Reading("", name, value, unit, (found, *_value_faults(value), *faults))
        if found.specimens and specimen_type not in found.specimens:
            sent = f"not {specimen_type}" if specimen_type else "and the specimen type was not sent"
            text = f"{found.title} is a test of {' or '.join(found.specimens)}, {sent}"
            faults.insert(0, Fault("specimen-type", text))
        if observation.repeats > 1:
            faults.append(Fault("several-values", "the result field holds several values"))
        value, fault = self._fitted(value, observation.unit, found)
        if fault:
            faults.insert(0, fault)
        return Reading(found.name, found.title, value, found.unit, tuple(faults))

    def _find(
        self, system: str, code: str, alternate_system: str, alternate_code: str
    ) -> TestDefinition | Fault:
        tests = {name for name in (self._name(system, code),) if name}
        tests |= {name for name in (self._name(alternate_system, alternate_code),) if name}
        if len(tests) > 1:
            named = " and ".join(sorted(tests))
            return Fault("unknown-test", f"its two codes name different tests: {named}")
        for name in tests:
            if test := self.catalogue.tests.get(name):
                return test
        where = f" ({system})" if system else ""
        return Fault("unknown-test", f"no test of the rule set has the code {code}{where}")

    def _name(self, system: str, code: str) -> str | None:
        if not code:
            return None
        if mapped := self.connection.tests.get(code):
            return mapped
        if system == "SAC":
            return self.connection.indices.get(code)
        return self.catalogue.by_code.get((_SYSTEMS.get(system.upper(), "L"), code))

    def _fitted(
        self, value: Value, sent_unit: str, test: TestDefinition
    ) -> tuple[Value, Fault | None]:
        """Return the value in the unit of the test, or unreadable with the fault that says why."""
        if test.kind == "words":
            return _as_words(value)
        if test.kind == "titer":
            return self._as_titer(value, sent_unit)
        if isinstance(value, Words):
            return _broken(value.text, f"{value.text!r} is not a number", "unreadable-value")
        if isinstance(value, Absent | Unreadable):
            return value, next(_value_faults(value))
        if not test.unit:
            return value, None
        if not sent_unit:
            return _broken(value_text(value), f"no unit was sent; {test.title} is in {test.unit}")
        unit = self._unit(sent_unit)
        if unit is None:
            return _broken(value_text(value), f"the unit {sent_unit!r} is not known")
        if unit == test.unit:
            return value, None
        converted = in_unit_of(test, value, unit)
        if converted is None:
            why = f"{unit} can not be converted to {test.unit}, the unit of {test.title}"
            return _broken(value_text(value), why)
        return converted, None

    def _as_titer(self, value: Value, sent_unit: str) -> tuple[Value, Fault | None]:
        """Return a dilution; a plain number, a code or words are none."""
        if isinstance(value, Absent | Unreadable):
            return value, next(_value_faults(value))
        text = value_text(value)
        titer = read_titer(text) if isinstance(value, Words) and not value.code else None
        if titer is None:
            return _broken(text, f"{text!r} is not a titer such as 1:160", "unreadable-value")
        if sent_unit and not _TITER_UNITS & {sent_unit.lower(), self._unit(sent_unit)}:
            return _broken(text, f"a titer has no unit, and {sent_unit!r} was sent")
        return titer, None

    def _flag_faults(self, observation: Observation) -> Iterator[Fault]:
        for flag in observation.flags:
            handling = self.connection.flags.get(flag)
            if handling == "hold":
                yield Fault("analyzer-flag", f"the sender's flag {flag} is set to hold")
            elif handling is None and flag not in HARMLESS:
                yield Fault("analyzer-flag", f"the sender's flag {flag} is not mapped")


def _status_faults(observation: Observation) -> Iterator[Fault]:
    status = observation.status
    if status not in {"F", "C"}:
        words = STATUSES.get(status, "not a status that is known")
        shown = f"{status}: {words}" if status else words
        yield Fault("status-not-final", f"its result status is not final ({shown})")


def _value_faults(value: Value) -> Iterator[Fault]:
    match value:
        case Absent("null"):
            yield Fault("no-value", "the sender asks to delete the value")
        case Absent():
            yield Fault("no-value", "it has no value")
        case Unreadable(_, why):
            yield Fault("unreadable-value", why)


def _as_words(value: Value) -> tuple[Value, Fault | None]:
    match value:
        case Number() | Between():
            return Words(value_text(value)), None
        case Absent() | Unreadable():
            return value, next(_value_faults(value))
    return value, None


def _broken(text: str, why: str, name: str = "unit") -> tuple[Value, Fault]:
    return Unreadable(text, why), Fault(name, why)


def in_unit_of(test: TestDefinition, value: Value, unit: str) -> Value | None:
    """Return a number or censored number of `unit` in the unit of `test`, None if it can not be.

    Hemoglobin A1c in mmol/mol is another scale than in percent, with an equation between the two
    (Hoelzel, Clin Chem 2004;50:166): a part of moles is never read as a part of something else.
    """
    if (_MOLES in unit) != (_MOLES in test.unit):
        return None

    def into(number: Decimal | None) -> Decimal | None:
        if number is None:
            return None
        return convert(number, unit, test.unit, test.molar_mass, test.charge)

    if isinstance(value, Titer | TiterBetween):
        return None
    if isinstance(value, Number):
        number = into(value.value)
        return None if number is None else Number(number)
    if isinstance(value, Between):
        low, high = into(value.low), into(value.high)
        if (low is None) != (value.low is None) or (high is None) != (value.high is None):
            return None
        return Between(low, high, value.low_included, value.high_included)
    return None
