"""Facts gathered for one rule set as another would have read them from the same messages."""

from collections.abc import Mapping

from msgspec.structs import replace

from verifier.facts.build import alone, fitting, mapper_of
from verifier.facts.case import Case, CaseRecord, Control, Result
from verifier.facts.catalogue import Catalogue, ConnectionMap, TestDefinition
from verifier.facts.mapping import Mapper
from verifier.facts.report import Observation

# Faults that do not come of mapping, so they stand whatever the rule set.
_OF_ENTRIES = {"correction", "status-change", "quality-control", "times"}
_READ_BY = ("title", "codes", "specimens", "unit", "molar_mass", "charge", "kind")


def read_differently(one: Catalogue, other: Catalogue) -> frozenset[str]:
    """Return the tests whose results two catalogues would read in different ways."""
    names = {*one.tests, *other.tests}
    return frozenset(n for n in names if _reading(one.tests.get(n)) != _reading(other.tests.get(n)))


def remapped(
    case: Case,
    record: CaseRecord,
    catalogue: Catalogue,
    maps: Mapping[str, ConnectionMap],
    assumed: Control,
) -> Case:
    """Return the facts with every result read again from what was sent, by another catalogue.

    `record` is the case as stored later: entries keep their place and what was sent. `assumed` is
    the control state of tests that the facts say nothing of. What the facts do not hold (results
    that the other rule set did not know as earlier ones) stays unknown.
    """
    results = [
        _read(result, record.entries[result.entry].observation, case.specimen.type, mapper)
        for result in case.results
        for mapper in (mapper_of(catalogue, maps, result.connection),)
    ]
    return replace(
        case,
        results=tuple(alone(results)),
        earlier=fitting(case.earlier, catalogue, case.specimen.type),
        quality={**dict.fromkeys(catalogue.tests, assumed), **case.quality},
    )


def _read(result: Result, sent: Observation, specimen_type: str, mapper: Mapper) -> Result:
    reading = mapper.read(sent, specimen_type)
    pairs = zip(result.fault_names, result.faults, strict=True)
    kept = [(name, text) for name, text in pairs if name in _OF_ENTRIES]
    faults = [*kept, *((fault.name, fault.text) for fault in reading.faults)]
    return replace(
        result,
        test=reading.test,
        title=reading.title,
        value=reading.value,
        unit=reading.unit,
        faults=tuple(text for _, text in faults),
        fault_names=tuple(name for name, _ in faults),
        control=result.control if reading.test == result.test else None,
    )


def _reading(test: TestDefinition | None) -> tuple[object, ...] | None:
    return None if test is None else tuple(getattr(test, part) for part in _READ_BY)
