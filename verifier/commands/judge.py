"""`verifier judge`: what the rules would decide on messages in files, with nothing stored."""

import argparse
import json
import re
import sys
import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

from verifier.errors import SettingsError

if TYPE_CHECKING:
    from datetime import datetime

    from verifier.decide.offline import Judged, Offline
    from verifier.facts.case import Control
    from verifier.facts.catalogue import Catalogue, ConnectionMap
    from verifier.settings import Settings

_LIMIT = 1 << 24  # bytes of one message
_HEADER = re.compile(rb"(?:\A|(?<=[\r\n]))(?=MSH[^A-Za-z0-9\s])")

_EPILOG = """\
example: verifier judge samples/*.hl7 --rules rules

--json prints one object per message and line:
  {"control_id", "ack", "specimens": [{"specimen", "patient", "results": [
    {"test", "code", "value", "unit", "decision": "release"|"hold"|"wait", "flag",
     "reasons": [{"rule", "kind", "text"}], "comments": [...]}]}]}
a message that could not be read has "ack" AE or AR, and "error".

Only a released result counts as an earlier one. With the shipped rules a first creatinine is always
held, so no change of creatinine can be shown: set first_creatinine_below in --config for that."""


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "judge",
        help="judge messages in files, offline, and say why",
        description="Judges HL7 messages in the order given. A released result counts as an "
        "earlier result for the messages after it. Nothing is stored and nothing is sent.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("files", metavar="FILE", nargs="+", type=Path, help="files of messages")
    parser.add_argument("--rules", type=Path, required=True, metavar="DIR", help="rule set")
    parser.add_argument("--config", type=Path, metavar="TOML", help="settings of the site")
    parser.add_argument("--connection", metavar="NAME", help="whose mapping (default: the first)")
    parser.add_argument(
        "--quality", type=Path, metavar="TOML", help='control states: potassium = "out of control"'
    )
    parser.add_argument("--json", action="store_true", help="one JSON object per message and line")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Judge and print; 1 when a message could not be taken.

    Raises:
        SettingsError: a file can not be read or names what is not there.
        RuleSetError: the rule set can not be used.
    """
    from verifier import settings
    from verifier.decide.offline import Offline
    from verifier.rulefiles import load_program

    site = settings.load(args.config) if args.config else None
    program = (
        load_program(args.rules, site.parameters, site.units)
        if site
        else (load_program(args.rules))
    )
    connection, processing = _connection(site, args.config, args.connection)
    quality = _quality(args.quality, program.catalogue)
    offline = Offline(program, connection, quality)
    show = _print_json if args.json else _print_text
    taken = refused = 0
    for path in args.files:
        for raw in _messages(path):
            answer, judged = _judge(raw, offline, connection, processing)
            show(answer, judged)
            refused += "error" in answer
            taken += "error" not in answer
    print(f"Messages judged: {taken}, not taken: {refused}.", file=sys.stderr)
    print("Limits and rules are examples until a laboratory has validated them.", file=sys.stderr)
    return 1 if refused else 0


def _judge(
    raw: bytes, offline: "Offline", connection: "ConnectionMap", processing: tuple[str, ...]
) -> tuple[dict[str, Any], list["Judged"]]:
    """Return the fixed form for one message, and the same as values for sentences."""
    from verifier.decide.present import specimen_json
    from verifier.hl7.acknowledge import ORIGINAL, admission, codes
    from verifier.hl7.message import Message, Unreadable

    try:
        message = Message.read(raw, charset=connection.charset)
    except Unreadable as error:
        return _refusal(error.control_id, ORIGINAL.of(error.fault), str(error)), []
    if fault := admission(message, processing):
        return _refusal(message.control_id, codes(message).of(fault), fault.text), []
    judged = offline.judge(message, _instant(message, connection))
    specimens = [specimen_json(item.case, item.decision) for item in judged]
    ack = codes(message).accept
    return {"control_id": message.control_id, "ack": ack, "specimens": specimens}, judged


def _refusal(control_id: str, ack: str, error: str) -> dict[str, Any]:
    return {"control_id": control_id, "ack": ack, "error": error, "specimens": []}


def _instant(message: Any, connection: "ConnectionMap") -> "datetime":
    """Judge at the time the message gives, so that a file judged again decides the same."""
    from verifier import clock
    from verifier.hl7.moments import parse_moment

    found = parse_moment(message.header.get(7), connection.zone)
    return found[0] if found else clock.now()


def _messages(path: Path) -> Iterator[bytes]:
    """Yield the messages of a file: MLLP blocks, or messages one after the other.

    Raises:
        SettingsError: the file can not be read.
    """
    from verifier.hl7.framing import START, Frame, Framer

    try:
        data = path.read_bytes()
    except OSError as error:
        raise SettingsError(f"{path}: {error.strerror}") from error
    if START in data:
        framer = Framer(_LIMIT)
        for item in [*framer.feed(data), *framer.end()]:
            yield item.payload if isinstance(item, Frame) else item.partial
        return
    starts = [found.start() for found in _HEADER.finditer(data)]
    if not starts or data[: starts[0]].strip(b"\xef\xbb\xbf \t\r\n\x00"):
        yield data
        return
    for start, end in zip(starts, [*starts[1:], len(data)], strict=True):
        yield data[start:end]


def _connection(
    site: "Settings | None", config: Path | None, name: str | None
) -> tuple["ConnectionMap", tuple[str, ...]]:
    """Return the mapping and the processing ids taken; without settings, everything is taken."""
    from verifier.facts.catalogue import ConnectionMap

    if site is None:
        if name:
            raise SettingsError("--connection needs --config, where connections are described")
        return ConnectionMap("offline"), ("P", "T", "D")
    connections = site.connections
    chosen = name or next(iter(connections))
    if chosen not in connections:
        known = ", ".join(connections)
        raise SettingsError(f"{config}: there is no connection {chosen!r}; known: {known}")
    return connections[chosen].mapping(chosen), connections[chosen].processing


def _quality(path: Path | None, catalogue: "Catalogue") -> Mapping[str, "Control"]:
    """Return the control state of every test: in control, unless the file says otherwise."""
    from verifier.facts.case import Control

    states: dict[str, Control] = dict.fromkeys(catalogue.tests, "in control")
    if path is None:
        print("Every control is taken as in control (see --quality).", file=sys.stderr)
        return states
    try:
        given = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise SettingsError(f"{path}: this is no readable TOML: {error}") from error
    for test, state in given.items():
        if test not in states:
            raise SettingsError(f"{path}: the rule set has no test {test!r}")
        if state not in get_args(Control):
            options = ", ".join(get_args(Control))
            raise SettingsError(f"{path}: {test} = {state!r} is none of: {options}")
        states[test] = state
    print("Controls not named in --quality are taken as in control.", file=sys.stderr)
    return states


def _print_json(answer: Mapping[str, Any], judged: object) -> None:
    print(json.dumps(answer, ensure_ascii=False), flush=True)


def _print_text(answer: Mapping[str, Any], judged: list["Judged"]) -> None:
    from verifier.decide.explain import sentences

    error = f" {answer['error']}" if "error" in answer else ""
    print(f"Message {answer['control_id'] or 'without control id'}: {answer['ack']}{error}")
    for item in judged:
        patient = item.case.patient.key if item.case.patient else ""
        print(f" Specimen {item.case.specimen.key or 'not identified'}, patient {patient or '?'}")
        for line in sentences(item.decision):
            print(f"  {line}")
    sys.stdout.flush()
