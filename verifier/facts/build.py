"""From the case as stored to the case as judged: mapped, converted, with every fault named."""

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta

from msgspec.structs import replace

from verifier.facts.case import (
    Case,
    CaseRecord,
    Control,
    ControlSays,
    Earlier,
    Entry,
    Result,
    Suspension,
)
from verifier.facts.catalogue import Catalogue, ConnectionMap
from verifier.facts.mapping import Fault, Mapper, Reading, in_unit_of
from verifier.facts.preceding import measured_at
from verifier.facts.subjects import Specimen

_mappers: dict[tuple[int, str], Mapper] = {}
_MAPPERS_MOST = 256
_CLOCKS_DIFFER = timedelta(minutes=10)  # common practice, no source
_WORST: tuple[Control, ...] = ("out of control", "unknown", "in control")

ControlOf = Callable[[str, str], ControlSays | None]


def build_case(
    record: CaseRecord,
    *,
    catalogue: Catalogue,
    maps: Mapping[str, ConnectionMap],
    earlier: Mapping[str, tuple[Earlier, ...]],
    quality: Mapping[str, Control],
    suspensions: Sequence[Suspension],
    now: datetime,
    control_of: ControlOf = lambda test, analyzer: None,
) -> Case:
    """Return what the rules judge: the results that stand, open or released, and all around them.

    Superseded, withdrawn and rejected entries are no facts any more. A connection that `maps`
    does not name (removed since) is read with nothing but the catalogue. `control_of` gives what
    the controls of a test on an analyzer say, where `quality` holds for all analyzers.
    """
    results = [
        _result(
            at, entry, mapper_of(catalogue, maps, entry.connection), record.specimen, control_of
        )
        for at, entry in enumerate(record.entries)
        if entry.state in {"open", "released"}
    ]
    return Case(
        patient=record.patient,
        specimen=record.specimen,
        results=tuple(alone(results)),
        earlier=fitting(earlier, catalogue, record.specimen.type),
        quality=_of_their_analyzers(quality, results),
        now=now,
        opened=record.opened,
        doubts=(*record.doubts, *_time_doubts(record.specimen, now)),
        suspended=tuple(s.text for s in suspensions if s.scope == "all"),
        suspended_tests={s.subject: s.text for s in suspensions if s.scope == "test"},
        suspended_connections={s.subject: s.text for s in suspensions if s.scope == "connection"},
    )


def analyzer_of(entry: Entry) -> str:
    """Return what measured a result: the analyzer the sender names (OBX-18), or the connection."""
    return entry.observation.analyzer or entry.connection


def mapper_of(catalogue: Catalogue, maps: Mapping[str, ConnectionMap], name: str) -> Mapper:
    """Return the reader of one connection's words, the same one every time."""
    connection = maps.get(name) or ConnectionMap(name)
    mapper = _mappers.get((id(catalogue), name))
    # The mapper keeps its catalogue alive, so the id can not come to mean another one.
    if mapper and mapper.catalogue is catalogue and mapper.connection == connection:
        return mapper
    if len(_mappers) >= _MAPPERS_MOST:
        _mappers.clear()
    mapper = _mappers[id(catalogue), name] = Mapper(catalogue, connection)
    return mapper


def _of_their_analyzers(
    quality: Mapping[str, Control], results: Sequence[Result]
) -> Mapping[str, Control]:
    """Return the state per test, for tests measured here the worst of their analyzers."""
    told: dict[str, list[Control]] = {}
    for result in results:
        if result.control:
            told.setdefault(result.test, []).append(result.control.state)
    if not told:
        return quality
    return {**quality, **{test: min(said, key=_WORST.index) for test, said in told.items()}}


def _result(
    at: int, entry: Entry, mapper: Mapper, specimen: Specimen, control_of: ControlOf
) -> Result:
    observation = entry.observation
    reading = mapper.read(observation, specimen.type)
    faults = (*_entry_faults(entry, reading, specimen, mapper.connection), *reading.faults)
    return Result(
        entry=at,
        test=reading.test,
        title=reading.title,
        code=observation.code,
        value=reading.value,
        unit=reading.unit,
        sent_text=observation.text or "",
        sent_unit=observation.unit,
        status=observation.status,
        state=entry.state,
        flags=observation.flags,
        analyzer=observation.analyzer,
        connection=entry.connection,
        analysed=observation.analysed.at if observation.analysed else None,
        corrects=entry.corrects,
        faults=tuple(fault.text for fault in faults),
        fault_names=tuple(fault.name for fault in faults),
        measured=measured_at(entry),
        control=control_of(reading.test, analyzer_of(entry)) if reading.test else None,
    )


def _entry_faults(
    entry: Entry, reading: Reading, specimen: Specimen, connection: ConnectionMap
) -> list[Fault]:
    faults = [Fault("status-change", doubt) for doubt in entry.doubts]
    if entry.corrects:
        was = f" of {entry.previous}" if entry.previous else ""
        text = f"{reading.title}: a value{was} has already left the laboratory"
        faults.insert(0, Fault("correction", text))
    if entry.bracket:
        faults.append(Fault("quality-control", f"{reading.title}: {entry.bracket}"))
    analyzed, collected = entry.observation.analysed, specimen.collected
    if analyzed and collected and analyzed.at < collected.at - _CLOCKS_DIFFER:
        text = f"{reading.title} was analyzed before the specimen was collected"
        faults.append(Fault("times", text))
    if collected is None and connection.collection_time == "required":
        # Without it nobody knows how old the specimen is, nor what it may be compared with.
        faults.append(Fault("times", "the collection time was not sent"))
    return faults


def _time_doubts(specimen: Specimen, now: datetime) -> tuple[str, ...]:
    # A wrong collection time would compare with the wrong earlier results.
    if specimen.collected and specimen.collected.at > now + _CLOCKS_DIFFER:
        return ("the collection time lies in the future",)
    return ()


def alone(results: list[Result]) -> list[Result]:
    """Hold all values of a test that has several: which of them counts is for a person to say."""
    counts = Counter(result.test for result in results if result.test)
    if all(count == 1 for count in counts.values()):
        return results
    return [_with_several(r) if counts[r.test] > 1 else r for r in results]


def _with_several(result: Result) -> Result:
    text = f"the specimen has several values of {result.title} (other analyzer, run or code)"
    return replace(
        result,
        faults=(*result.faults, text),
        fault_names=(*result.fault_names, "several-values"),
    )


def fitting(
    earlier: Mapping[str, tuple[Earlier, ...]], catalogue: Catalogue, specimen_type: str
) -> dict[str, tuple[Earlier, ...]]:
    """Keep earlier results of the same specimen type, in today's unit of the test."""
    fitting: dict[str, tuple[Earlier, ...]] = {}
    for name, items in earlier.items():
        test = catalogue.tests.get(name)
        if test is None:
            continue
        kept = []
        for item in items:
            if specimen_type and item.specimen_type and item.specimen_type != specimen_type:
                continue
            if item.unit != test.unit:
                value = in_unit_of(test, item.value, item.unit)
                if value is None:
                    continue
                item = replace(item, value=value, unit=test.unit)
            kept.append(item)
        fitting[name] = tuple(kept)
    return fitting
