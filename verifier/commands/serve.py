"""`verifier serve`: run the service in the foreground."""

import argparse
from pathlib import Path


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "serve",
        help="run the service: listeners, forwarders, page",
        description="Runs in the foreground until SIGTERM or Ctrl-C; it then finishes what it has "
        "acknowledged. A commented example of the configuration is deploy/verifier.toml.",
        epilog="example: verifier serve --config verifier.toml",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--config", type=Path, default=Path("verifier.toml"), metavar="TOML")
    parser.add_argument("--verbose", action="store_true", help="log more; never patient data")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Serve until stopped."""
    import asyncio
    import gc

    gc.disable()  # next to nothing made at the start is garbage; the service turns it on when ready
    from verifier import settings
    from verifier.service import plainlog
    from verifier.service.supervisor import Service
    from verifier.web.app import create_app

    plainlog.set_up(verbose=args.verbose)
    loaded = settings.load(args.config)
    asyncio.run(Service(loaded, create_app, say).run())
    return 0


def say(text: str) -> None:
    """Tell whoever started the service, at once."""
    print(text, flush=True)
