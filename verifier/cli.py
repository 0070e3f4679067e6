"""The `verifier` command: finds the sub-commands, parses, and turns errors into sentences."""

import argparse
import importlib
import pkgutil
import sys
from collections.abc import Sequence

from verifier import __version__, commands
from verifier.errors import VerifierError

FINE, FINDINGS, WRONG_USE = 0, 1, 2
INTERRUPTED = 130  # 128 + SIGINT, as shells expect

CAUTION = (
    "Not a medical device by itself. The shipped limits are examples with their sources. The "
    "laboratory validates its rules, its director approves them, and local law and accreditation "
    "decide."
)


def build_parser() -> argparse.ArgumentParser:
    """Return the parser with every command of `verifier.commands` registered, in name order."""
    parser = argparse.ArgumentParser(
        prog="verifier",
        description="Decides for every laboratory result whether it may leave without a person "
        "looking at it: releases it to the LIS or holds it with a reason.",
        epilog=f"example: verifier demo\n\n{CAUTION}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"verifier {__version__}")
    subparsers = parser.add_subparsers(title="commands", metavar="COMMAND", required=True)
    for module in pkgutil.iter_modules(commands.__path__):
        importlib.import_module(f"verifier.commands.{module.name}").register(subparsers)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code: 0 fine, 1 findings, 2 wrong use."""
    args = build_parser().parse_args(argv)
    try:
        return int(args.run(args))
    except VerifierError as error:
        print(f"verifier: {error}", file=sys.stderr)
        return WRONG_USE
    except BrokenPipeError:
        return FINE
    except KeyboardInterrupt:
        return INTERRUPTED
