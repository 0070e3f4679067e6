"""`verifier hl7 check`: what of a message departs from the standard it declares."""

import argparse
from pathlib import Path

from verifier.errors import VerifierError


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add `hl7 check` to the command line."""
    parser = subparsers.add_parser("hl7", help="look at HL7 v2 messages")
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    check = actions.add_parser(
        "check",
        help="report what departs from the HL7 version a message declares",
        description="Reports, per file, what departs from the HL7 version the message declares. "
        "A finding does not mean that the message would be refused.",
        epilog="example: verifier hl7 check samples/01-panel-2.5.1.hl7\n\n"
        "exit code: 0 no findings, 1 findings, 2 a file can not be read",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    check.add_argument("files", nargs="+", type=Path, metavar="FILE", help="one message each")
    check.add_argument(
        "--charset",
        default="",
        metavar="CODE",
        help="character set (HL7 table 0211) for messages that name none in MSH-18",
    )
    check.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print the findings of every file; return 1 if there are any."""
    from verifier.hl7.conformance import report

    total = 0
    for path in args.files:
        for payload in _payloads(path):
            findings = report(payload, charset=args.charset)
            total += len(findings)
            for finding in findings:
                where = f"{finding.where}: " if finding.where else ""
                print(f"{path}: {where}{finding.text}")
            if not findings:
                print(f"{path}: no findings")
    return 1 if total else 0


def _payloads(path: Path) -> list[bytes]:
    """Return the message of a file, or each of them when the file holds MLLP blocks."""
    from verifier.hl7.framing import START, Frame, Framer

    try:
        data = path.read_bytes()
    except OSError as error:
        raise VerifierError(f"{path}: {error.strerror}") from error
    if not data.startswith(START):
        return [data]
    framer = Framer(len(data))
    return [item.payload for item in framer.feed(data) if isinstance(item, Frame)]
