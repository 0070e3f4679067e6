"""What is fuzzed, as plain functions of bytes: each raises only where something of ours is wrong.

What a target allows is what the code promises to raise. Both the short run of every day and a
campaign (`python -m fuzz.campaign`, with atheris where it is installed) use them.
"""

from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache
from pathlib import Path

from verifier.decide.decide import decide
from verifier.facts.build import build_case
from verifier.facts.catalogue import ConnectionMap
from verifier.facts.extract import read_specimens
from verifier.facts.merge import merge
from verifier.facts.registry import read_merges, read_update
from verifier.hl7 import batches
from verifier.hl7.acknowledge import acknowledge, acknowledge_unreadable, admission, parse_ack
from verifier.hl7.framing import Fault, Frame, Framer
from verifier.hl7.message import Message, Unreadable
from verifier.hl7.outgoing import Change, Header, build_report
from verifier.language import check
from verifier.language.program import Program

NOW = datetime(2026, 1, 5, 9, 0, tzinfo=UTC)
OURS = {"control_id": "A1", "now": NOW, "application": "V", "facility": "L"}
SENDER = ConnectionMap(
    "fuzz", tests={"K": "potassium"}, specimens={"SER": "serum"}, controls=("QC",),
    indices={"hemolysis": "hemolysis"}, comparator_in_numeric=True,
)  # fmt: skip
RULES = """
test potassium "Potassium"
  code LOINC 2823-3
  in serum
  unit mmol/L   decimals 1
limits for potassium  from "invented for this test"
  critical  below 2.8, above 6.2
rule critical for every test  from "invented for this test"
  hold when result is critical
  because "{test} {result} is beyond the critical limit {limit}"
"""
LIMIT = 300


def framing(data: bytes) -> None:
    """However a stream is cut, the same comes out, every byte of it accounted for or noise."""
    step = 1 + data[0] % 7 if data else 1
    whole, cut = Framer(LIMIT), Framer(LIMIT)
    expected = [*whole.feed(data), *whole.end()]
    found: list[Frame | Fault] = []
    for start in range(0, len(data), step):
        found += cut.feed(data[start : start + step])
    found += cut.end()
    assert found == expected
    for item in expected:
        payload = item.payload if isinstance(item, Frame) else item.partial
        assert payload in data or (isinstance(item, Fault) and item.kind == "junk")
        assert len(payload) <= LIMIT + 1  # the byte behind it may have been the end


def reader(data: bytes) -> None:
    """Bytes are a message that keeps them, or unreadable; either has an answer we can read."""
    try:
        message = Message.read(data, charset="8859/1" if len(data) % 2 else "")
    except Unreadable as error:
        ack = acknowledge_unreadable(data, error.fault, **OURS)  # type: ignore[arg-type]
        # What is echoed may be as wrong in the declared set as it came.
        assert ack is None or b"\rMSA" in ack
        return
    assert message.raw == data
    assert len(message.pieces) == len(message.segments)
    for segment in message.segments:
        for number in range(1, min(len(segment.fields), 40)):
            segment.get(number, 2, 2)
            for rep in range(1, min(len(segment.repetitions(number)), 4) + 1):
                segment.components(number, rep)
    fault = admission(message, "PTD", ("results", "patients"))
    faults = [fault] if fault else []
    ack = acknowledge(message, "AE", faults=faults, **OURS)  # type: ignore[arg-type]
    assert parse_ack(Message.read(ack, charset="8859/1")).code == "AE"


def mapping(data: bytes) -> None:
    """What is read can be merged, judged and forwarded; what a registry says can be read."""
    try:
        message = Message.read(data, charset="8859/1")
    except Unreadable:
        return
    if message.type == "ADT":
        read_update(message)
        read_merges(message)
        return
    program = _program()
    for report in read_specimens(message, SENDER):
        record = merge(None, report, connection="fuzz", message=1, arrived=NOW)
        record = merge(record, report, connection="fuzz", message=2, arrived=NOW)
        case = build_case(
            record, catalogue=program.catalogue, maps={"fuzz": SENDER}, earlier={},
            quality={"potassium": "in control"}, suspensions=(), now=NOW,
        )  # fmt: skip
        decision = decide(case, program)
        for result in decision.results:
            assert result.outcome != "release" or not record.doubts
    keep = {segment.index: Change("F", "H", ("checked",)) for segment in message.all("OBX")}
    if keep:
        header = Header("V", "L", "LIS", "H", "V1", NOW)
        out = Message.read(build_report(message, keep=keep, header=header), charset="8859/1")
        assert len(out.all("OBX")) == len(keep)


def batch(data: bytes) -> None:
    """A batch loses no byte, and its answer is a batch without doubt."""
    raw = data if batches.is_batch(data) else b"BHS|^~\\&|L|S|V|L|2026||||B1\r" + data
    cut = batches.split(raw)
    assert sorted(cut.envelope + b"".join(cut.messages)) == sorted(raw)
    said = batches.answer(cut, [[] for _ in cut.parts], **OURS)  # type: ignore[arg-type]
    if batches.is_batch(said):
        assert not [doubt for doubt in batches.split(said).doubts if "said to hold" in doubt]


def rules(data: bytes) -> None:
    """Any text is a rule set or has diagnostics that stand somewhere in it."""
    text = data.decode("utf-8", "replace")
    checked = check({"fuzz.rules": text})
    assert checked.program or checked.diagnostics


@cache
def _program() -> Program:
    program = check({"fuzz.rules": RULES}).program
    assert program
    return program


TARGETS: dict[str, Callable[[bytes], None]] = {
    "framing": framing, "reader": reader, "mapping": mapping, "batch": batch, "rules": rules,
}  # fmt: skip

_TOP = Path(__file__).parents[2]


@cache
def messages() -> tuple[bytes, ...]:
    """The sample messages, and public ones where they lie beside this copy."""
    import os

    beside = Path(os.environ.get("VERIFIER_CORPUS", _TOP.parent / "shared" / "corpus"))
    folders = [_TOP / "samples", beside]
    files = [file for folder in folders for file in sorted(folder.rglob("*")) if file.is_file()]
    return tuple(file.read_bytes() for file in files if file.suffix != ".md")


@cache
def seeds(target: str) -> tuple[bytes, ...]:
    """What a target begins with."""
    if target == "rules":
        files = sorted((_TOP / "rules").rglob("*.rules"))
        parts = [part for file in files for part in file.read_text().split("\n\n")]
        return tuple(part.encode() for part in parts if part.strip())
    if target == "framing":
        return tuple(b"\x0b" + raw[:200] + b"\x1c\r" for raw in messages())
    if target == "batch":
        head = b"BHS|^~\\&|L|S|V|L|2026||||B1\r"
        return tuple(head + raw + b"\rBTS|1\r" for raw in messages() if len(raw) < 4000)
    return messages()
