"""`verifier send`: send files of HL7 messages over MLLP and show the answers."""

import argparse
from pathlib import Path


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "send",
        help="send messages from files over MLLP",
        description="Sends each file as one message over one connection and prints the answers. "
        "Exits with 1 when one was not accepted.",
        epilog="example: verifier send samples/*.hl7 --to 127.0.0.1:2575",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE")
    parser.add_argument("--to", required=True, metavar="HOST:PORT")
    parser.add_argument("--seconds", type=float, default=30, help="to wait for an answer (30)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Send every file in order."""
    import asyncio

    host, _, port = args.to.rpartition(":")
    if not host or not port.isdigit():
        print(f"verifier: --to {args.to}: write it as HOST:PORT, for example 127.0.0.1:2575")
        return 2
    return asyncio.run(send_all(args.files, host, int(port), args.seconds))


async def send_all(files: list[Path], host: str, port: int, seconds: float) -> int:
    """Send files over one connection; return 0 when all were accepted, else 1."""
    from verifier.errors import VerifierError
    from verifier.hl7.faults import Unreadable
    from verifier.hl7.message import Message
    from verifier.service.client import MllpClient

    client = MllpClient(host, port, answer_seconds=seconds)
    refused = 0
    for path in files:
        try:
            raw = path.read_bytes()
        except OSError as error:
            raise VerifierError(f"{path}: {error.strerror}") from error
        try:
            control_id = Message.read(raw).control_id
        except Unreadable:
            control_id = ""
        try:
            answer = await client.send(raw, control_id)
        except VerifierError as error:
            print(f"{path.name}: {error}")
            refused += 1
            continue
        print(f"{path.name}: {answer.code} {answer.text}".rstrip())
        refused += answer.code not in {"AA", "CA"}
    await client.close()
    return 1 if refused else 0
