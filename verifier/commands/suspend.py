"""`verifier suspend` and `verifier resume`: stop automatic release, and let it go on."""

import argparse
import getpass
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from verifier.service.rulestart import Rules
    from verifier.settings import Settings
    from verifier.store.transaction import Transaction

T = TypeVar("T")


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add both commands."""
    stop = subparsers.add_parser(
        "suspend",
        help="stop automatic release, everywhere or for one test or connection",
        description="Works while the service runs: from the next message on everything is held.",
        epilog='example: verifier suspend --test potassium --reason "new electrode" '
        "--config verifier.toml",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    which = stop.add_mutually_exclusive_group()
    which.add_argument("--test", default="", help="only this test of the rule set")
    which.add_argument("--connection", default="", help="only results from this connection")
    stop.add_argument("--reason", required=True, help="goes on record and into every reason")
    stop.add_argument("--config", type=Path, default=Path("verifier.toml"), metavar="TOML")
    stop.set_defaults(run=run_suspend)
    go_on = subparsers.add_parser(
        "resume",
        help="let automatic release go on",
        description="Without a number: ends every suspension that stands. What was held stays "
        "held.",
        epilog="example: verifier resume --config verifier.toml",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    go_on.add_argument("number", nargs="?", type=int, help="only this suspension")
    go_on.add_argument("--config", type=Path, default=Path("verifier.toml"), metavar="TOML")
    go_on.set_defaults(run=run_resume)


def run_suspend(args: argparse.Namespace) -> int:
    """Suspend and print the number of the suspension."""
    from verifier import clock
    from verifier.service.actions import suspend
    from verifier.store.rows import Scope

    scope: Scope = "test" if args.test else "connection" if args.connection else "all"
    subject = args.test or args.connection
    check_subject(args)

    def work(tx: "Transaction") -> int:
        return suspend(tx, operator(), scope, subject, args.reason, clock.now())

    number = in_database(args.config, work)
    print(f"suspended: {' '.join(filter(None, (scope, subject)))} (number {number})")
    return 0


def check_subject(args: argparse.Namespace) -> None:
    """Refuse a misspelt name: a suspension of nothing would look like one of something."""
    from verifier import settings
    from verifier.service.wiring import check_known

    loaded = settings.load(args.config)
    if args.connection:
        check_known("connection", args.connection, loaded.connections)
    if args.test:
        check_known("test", args.test, deciding(loaded).program.catalogue.tests)


def deciding(loaded: "Settings") -> "Rules":
    """Return the rules that decide in the configured database; it is made when not there."""
    from verifier import clock
    from verifier.service import rulestart
    from verifier.store.store import Store

    with Store.of(loaded) as store:
        return rulestart.deciding(store, loaded, clock.now)


def run_resume(args: argparse.Namespace) -> int:
    """Resume one or all; 1 when nothing was suspended."""
    from verifier.service.actions import resume

    def work(tx: "Transaction") -> list[int]:
        standing = [row.id for row in tx.suspensions()]
        chosen = [number for number in standing if args.number in (None, number)]
        for number in chosen:
            resume(tx, operator(), number)
        return chosen

    ended = in_database(args.config, work)
    print(f"resumed: {len(ended)}" if ended else "nothing was suspended")
    return 0 if ended else 1


def operator() -> str:
    """Who is on record for what is done on the command line: the account on this machine."""
    return f"{getpass.getuser()} (command line)"


def in_database(config: Path, work: "Callable[[Transaction], T]") -> T:
    """Run work in one transaction of the configured database."""
    from verifier import settings
    from verifier.store.store import Store

    loaded = settings.load(config)
    with Store.of(loaded) as store:
        return store.write(work)
