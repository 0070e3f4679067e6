"""`verifier rules yield`: what a rule set releases, and what it catches, on labeled messages."""

import argparse
import json
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

from verifier.errors import SettingsError

if TYPE_CHECKING:
    from datetime import datetime

    from verifier.assurance.yield_cases import Header, LabeledMessage
    from verifier.facts.catalogue import ConnectionMap

_EPILOG = """\
example:
  verifier rules yield rules --cases year.jsonl
  verifier rules yield my-rules --cases ours.jsonl --markdown > yield.md

The file holds one JSON object a line. The first is the header:
  {"cases": 1, "title": "spring of our ward",
   "faults": ["hemolysis"],            what spoils results; every kind a label uses is
   "reasons": ["critical"],            named here or under reasons: right, and to be seen
   "aims": {"hemolysed-potassium": ["hemolysis"], "critical": ["critical"]},
   "connection": {"units": {"mEq/L": "mmol/L"}}}    as in the settings, may be left out
Every other line is a message with what is true of it, in the order of arrival:
  {"message": "MSH|^~\\\\&|...", "truth": {"class": "outpatient", "specimens": {"T1": {
     "kinds": ["hemolysis"],                          of the whole specimen
     "results": {"2823-3": {"true": "4.1 mmol/L", "kinds": ["hemolysis"],
                            "harm": "critical"}}}}}}
specimens are named as SPM-2 names them, results by the code of OBX-3. "harm" is what the wrong
value can do: "none" (may be left out), "beyond allowable" or "critical". A label without kinds
and harm may be left out.

A rule is right when it holds a result with a kind it is meant for (aims), of the result or of its
whole specimen, else wrong; "wrong alone" would have left but for it. "missed" is what it was meant
for and nobody held; "left" what it was meant for and others alone held.

Held results that the label calls right count as let go by a person, and are earlier results for
what follows. Every control is taken as in control.

exit codes: 0 no result of critical consequence was released, 1 some were, 2 wrong use"""


def register(actions: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the action to `verifier rules`."""
    parser = actions.add_parser(
        "yield",
        help="say how much a rule set releases and what it catches, on labeled messages",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("folder", type=Path, metavar="DIR", help="folder of *.rules files")
    parser.add_argument("--cases", type=Path, required=True, metavar="FILE", help="JSON lines")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="print one JSON object")
    form.add_argument("--markdown", action="store_true", help="print Markdown tables")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Judge, count and print; 1 when a result of critical consequence was released.

    Raises:
        CasesError: the file of cases can not be used.
        RuleSetError: the rule set can not be used.
        SettingsError: the file can not be read, or its connection is none.
    """
    from verifier.assurance import yield_report
    from verifier.assurance.yielding import count_yield
    from verifier.rulefiles import load_program

    program = load_program(args.folder)
    header, cases = read_cases(args.cases)
    counts = count_yield(program, header, cases, _connection(header, args.cases), _instant)
    if args.json:
        print(json.dumps(yield_report.as_json(counts), indent=2))
    else:
        show = yield_report.as_markdown if args.markdown else yield_report.as_text
        print(show(counts))
    return 1 if counts.slips else 0


def read_cases(path: Path) -> "tuple[Header, Iterator[LabeledMessage]]":
    """Return the header and the cases of a file, read as they are needed.

    Raises:
        CasesError: the header can not be used; the iterator raises it for its lines.
        SettingsError: the file can not be read.
    """
    from verifier.assurance.yield_cases import read_header

    try:
        with path.open("rb") as file:
            header = read_header(file.readline(), f"{path}:1")
    except OSError as error:
        raise SettingsError(f"{path}: {error.strerror}") from error
    return header, _cases(path, header)


def _cases(path: Path, header: "Header") -> "Iterator[LabeledMessage]":
    from verifier.assurance.yield_cases import read_case

    size, done = path.stat().st_size, 0
    shown = sys.stderr.isatty()
    with path.open("rb") as file:
        for number, line in enumerate(file, 1):
            done += len(line)
            if number > 1 and line.strip():
                yield read_case(line, header, f"{path}:{number}")
            if shown and number % 200 == 0:
                _progress(done / size, number)
    if shown:
        print(file=sys.stderr)


def _progress(part: float, number: int) -> None:
    filled = round(30 * part)
    bar = "#" * filled + "-" * (30 - filled)
    print(f"\r[{bar}] {part:4.0%} {number} messages", end="", file=sys.stderr, flush=True)


def _connection(header: "Header", path: Path) -> "ConnectionMap":
    from pydantic import ValidationError

    from verifier.settings import Connection

    try:
        return Connection.model_validate({"port": 0, **header.connection}).mapping("offline")
    except ValidationError as error:
        place = ".".join(str(part) for part in error.errors()[0]["loc"])
        message = error.errors()[0]["msg"]
        raise SettingsError(f"{path}:1: connection.{place}: {message}") from error


def _instant(message: Any) -> "datetime":
    """Judge at the time the message gives, so that a file judged again decides the same."""
    from verifier import clock
    from verifier.hl7.moments import parse_moment

    found = parse_moment(message.header.get(7), "UTC")
    return found[0] if found else clock.now()
