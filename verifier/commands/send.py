"""`verifier send`: send files of HL7 messages over MLLP and show the answers."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ssl import SSLContext

    from verifier.service.client import MllpClient


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "send",
        help="send messages from files over MLLP",
        description="Sends each file as one message over one connection and prints the answers. "
        "Exits with 1 when one was not accepted.",
        epilog="examples:\n"
        "  verifier send samples/*.hl7 --to 127.0.0.1:2575\n"
        "  verifier send result.hl7 --to lab.example:2576 --tls --authorities ca.pem",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE")
    parser.add_argument("--to", required=True, metavar="HOST:PORT")
    parser.add_argument("--seconds", type=float, default=30, help="to wait for an answer (30)")
    parser.add_argument("--tls", action="store_true", help="encrypt, and check the certificate")
    parser.add_argument("--authorities", type=Path, metavar="PEM", help="who is trusted to sign it")
    parser.add_argument("--certificate", type=Path, metavar="PEM", help="to show to the receiver")
    parser.add_argument("--key", type=Path, metavar="PEM", help="the key of that certificate")
    parser.add_argument("--server-name", default="", metavar="NAME", help="in its certificate")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Send every file in order."""
    import asyncio

    from verifier.service.client import MllpClient

    host, _, port = args.to.rpartition(":")
    if not host or not port.isdigit():
        print(f"verifier: --to {args.to}: write it as HOST:PORT, for example 127.0.0.1:2575")
        return 2
    client = MllpClient(
        host, int(port), answer_seconds=args.seconds, tls=_tls(args), server_name=args.server_name
    )
    return asyncio.run(send_all(args.files, client))


def _tls(args: argparse.Namespace) -> "SSLContext | None":
    if not (args.tls or args.authorities or args.certificate):
        return None
    from verifier.service.tls import client_context
    from verifier.transport import ClientTls

    return client_context(
        "verifier send",
        ClientTls(authorities=args.authorities, certificate=args.certificate, key=args.key),
    )


async def send_all(files: list[Path], client: "MllpClient") -> int:
    """Send files over one connection; return 0 when all were accepted, else 1."""
    from verifier.errors import VerifierError
    from verifier.hl7.faults import Unreadable
    from verifier.hl7.message import Message

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
