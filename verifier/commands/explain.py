"""`verifier explain`: prints what a code of the checker means, with examples."""

import argparse

EXAMPLE = """example:
  verifier explain R204
  verifier explain

exit codes: 0 printed, 2 there is no such code"""


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "explain",
        help="say what a code of `rules check` means, with a wrong and a right example",
        epilog=EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("code", nargs="?", metavar="CODE", help="such as R204; without: all codes")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print one page, or the list of codes."""
    from verifier.language import explaining

    print(explaining.as_text(args.code) if args.code else explaining.contents())
    return 0
