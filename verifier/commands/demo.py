"""`verifier demo`: a morning of an invented laboratory, against the real service."""

import argparse
from pathlib import Path


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "demo",
        help="play a morning of an invented laboratory, with the page to look at",
        description="Starts the service in a private folder, plays about ninety seconds of an "
        "invented morning over MLLP, and stays up until Ctrl-C. Everything in it is made up.",
        epilog="example: verifier demo\nexample: verifier demo --check",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "--folder", type=Path, metavar="DIR", help="an empty folder to use; default: a new one"
    )
    parser.add_argument(
        "--check",
        action="store_true",
        help="play without waiting, compare every outcome with what is expected, exit 0 or 1",
    )
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Play the morning."""
    import asyncio

    from verifier.demo.run import prove, show

    return asyncio.run((prove if args.check else show)(args.folder))
