"""What of a message departs from the standard it declares, in plain words.

The tables of segments, fields and groups are those of the hl7apy library, which knows every
version; the message itself is read by our reader, and the library sees a tidied copy. A finding is
no reason to refuse a message: senders depart from the standard in small things all the time.
"""

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

from verifier.hl7.acknowledge import admission
from verifier.hl7.message import NULL, Message, Segment, Unreadable
from verifier.hl7.moments import parse_moment

_SHOWN = 40
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)", re.ASCII)  # NM, HL7 v2.5.1 section 2.A.47
_TIMES = {"DT", "DTM", "TS"}
_VALUED_STATUS = {"F", "C", "P", "R", "A", "B"}
# The library's tables call these required; the standard only under conditions, or not at all.
_NOT_REQUIRED = {("OBX", 2), ("OBX", 4), ("OBX", 5), ("OBR", 27)}
# Groups the library parser fills wrongly: OBX of an order in 2.8, several patients in one, the
# containers of later orders.
_MISFILED = {"ORU_R01_COMMON_ORDER", "ORU_R01_PATIENT", "OUL_R21_CONTAINER"}


@dataclass(frozen=True, slots=True)
class Finding:
    """Where (such as ``OBX[3]-11``; empty for the whole message) and what, as a sentence."""

    where: str
    text: str


def report(raw: bytes, *, charset: str = "") -> list[Finding]:
    """Return every departure found, in message order; an empty list is a clean message."""
    try:
        message = Message.read(raw, charset=charset)
    except Unreadable as error:
        return [Finding(error.fault.location.replace("^", "-"), error.fault.text)]
    findings = [Finding("", warning) for warning in message.warnings]
    refused = admission(message, "PTD", ("results", "patients"))
    if refused:
        findings.append(Finding("", f"it would be refused: {refused.text}"))
    if not _known_version(message.version):
        return findings
    findings += _segment_findings(message)
    return findings + list(_group_findings(message))


def _known_version(version: str) -> bool:
    from hl7apy import SUPPORTED_LIBRARIES

    return version in SUPPORTED_LIBRARIES


def _reference(name: str, kind: str, version: str) -> Any:
    """Return an entry of the library's tables, or None."""
    from hl7apy import load_reference

    try:
        return load_reference(name, kind, version)
    except Exception:  # the library raises what it likes here
        return None


def _segment_findings(message: Message) -> list[Finding]:
    findings: list[Finding] = []
    seen: Counter[str] = Counter()
    for segment in message.segments:
        seen[segment.name] += 1
        place = f"{segment.name}[{seen[segment.name]}]"
        if segment.name.startswith("Z"):
            continue
        known = _reference(segment.name, "Segment", message.version)
        if known is None:
            text = f"there is no such segment in HL7 {message.version}"
            findings.append(Finding(place, text))
            continue
        findings += _field_findings(segment, place, known[1], message.version)
        if segment.name == "OBX":
            findings += _result_findings(segment, place)
    return findings


def _field_findings(
    segment: Segment, place: str, known: Iterable[Any], version: str
) -> Iterator[Finding]:
    # By number, since the tables of some versions lack withdrawn fields.
    fields = {int(entry[0].rpartition("_")[2]): entry for entry in known}
    for number, (_, shape, (least, most), _) in fields.items():
        where = f"{place}-{number}"
        if least and not segment.field(number) and (segment.name, number) not in _NOT_REQUIRED:
            yield Finding(where, f"{_title(shape)} is required and missing")
        repetitions = segment.repetitions(number)
        if 0 <= most < len(repetitions):
            yield Finding(where, f"{_title(shape)} is given {len(repetitions)} times, not {most}")
        for n in range(1, len(repetitions) + 1):
            yield from _value_findings(segment, number, n, where, shape, version)
    for number in range(max(fields, default=0) + 1, len(segment.fields)):
        if segment.field(number):
            yield Finding(f"{place}-{number}", f"there is no such field in HL7 {version}")


def _title(shape: Any) -> str:
    return str(shape[3]).replace("_", " ").lower()


def _value_findings(
    segment: Segment, number: int, rep: int, where: str, shape: Any, version: str
) -> Iterator[Finding]:
    if shape[2] == "varies" or (segment.name == "MSH" and number <= 2):
        return
    components = segment.components(number, rep)
    if shape[0] == "leaf":
        extra = len(components) > 1
        yield from _leaf_findings(segment.get(number, rep=rep), where, shape, version)
    else:
        extra = len(components) > len(shape[1])
        for n, (_, part, _, _) in enumerate(shape[1][: len(components)], 1):
            if part[0] == "leaf":
                text = segment.get(number, n, rep=rep)
                yield from _leaf_findings(text, f"{where}.{n}", (*part[:4], None), version)
    if extra:
        yield Finding(where, f"{_title(shape)} has more components than {shape[2]} knows")


def _leaf_findings(text: str, where: str, shape: Any, version: str) -> Iterator[Finding]:
    kind, table = shape[2], shape[4]
    if not text:
        return
    if kind in _TIMES and parse_moment(text, "UTC") is None:
        yield Finding(where, f"{_shown(text)} is no date or time ({kind})")
    if kind in {"NM", "SI"} and not _NUMBER.fullmatch(text):
        yield Finding(where, f"{_shown(text)} is no number ({kind})")
    if kind == "ID" and table:
        codes = _reference(table, "Table", version)
        if codes and text not in codes[1]:
            yield Finding(where, f"{_shown(text)} is not in {codes[0]} (table {table[3:]})")


def _shown(text: str) -> str:
    return repr(text if len(text) <= _SHOWN else text[:_SHOWN] + "…")


def _result_findings(obx: Segment, place: str) -> Iterator[Finding]:
    """What HL7 says about OBX-2, OBX-5 and OBX-6 together (v2.5.1 section 7.4.2)."""
    kind, value = obx.get(2), obx.field(5)
    if value and value != NULL and not kind:
        yield Finding(f"{place}-2", "value type is required when there is a value")
    if not value and obx.get(11) in _VALUED_STATUS and not obx.field(8):
        yield Finding(f"{place}-5", "there is neither a value nor a flag, and the status is final")
    if kind != "NM" or not value or value == NULL:
        return
    for rep in range(1, len(obx.repetitions(5)) + 1):
        text = obx.get(5, rep=rep)
        if not _NUMBER.fullmatch(text):
            yield Finding(f"{place}-5", f"{_shown(text)} is no number (NM)")
    if not obx.get(6):
        yield Finding(f"{place}-6", "a numeric result should have a unit")


def tidied(message: Message) -> str:
    """Return a copy the hl7apy parser can read: CR only, four characters in MSH-2 before 2.7."""
    first, *rest = [segment.text for segment in message.segments]
    marks = message.delimiters
    if marks.truncation and message.version < "2.7":
        first = first.replace(marks.truncation, "", 1)
    return "".join(line + "\r" for line in (first, *rest))


def _group_findings(message: Message) -> Iterator[Finding]:
    from hl7apy.parser import parse_message

    try:
        parsed = parse_message(tidied(message))
    except Exception as error:  # it raises far more than its own errors
        yield Finding("", f"the reference parser can not read it: {error}")
        return
    ours = Counter(segment.name for segment in message.segments)
    lost = ours - Counter(_segment_names(parsed))
    for name, count in sorted(lost.items()):
        known = f"the structure of {message.type}^{message.event} in HL7 {message.version}"
        yield Finding(name, f"{known} has no place for {count} of these where they stand")
    if not lost:
        yield from _cardinality(parsed, message.version)


def _segment_names(element: Any) -> Iterator[str]:
    for child in element.children:
        if child.classname == "Segment":
            yield child.name
        else:
            yield from _segment_names(child)


def _cardinality(element: Any, version: str) -> Iterator[Finding]:
    known = _reference(element.name, element.classname, version)
    if known is None:
        return
    counts = Counter(child.name for child in element.children)
    for name, _, (least, most), _ in known[1]:
        if name in _MISFILED:
            continue
        where = f"{element.name.replace('_', ' ').lower()}"
        title = name.replace("_", " ")
        if counts[name] < least:
            yield Finding("", f"{title} is required in {where} and missing")
        if 0 <= most < counts[name]:
            yield Finding("", f"{title} stands {counts[name]} times in {where}, not {most}")
    for child in element.children:
        if child.classname == "Group" and child.name not in _MISFILED:
            yield from _cardinality(child, version)
