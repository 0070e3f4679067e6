"""`verifier backup`, `restore`, `retention`: keeping data, and removing it after its time."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the three commands."""
    save = _command(
        subparsers,
        "backup",
        "write the whole database to one file while the service runs",
        "Copies one consistent state, checks it, and puts the signed checkpoints and their keys "
        "beside it; also of a PostgreSQL database. The file holds patient data and secrets: keep "
        "it as such, elsewhere.",
        "verifier backup /mnt/backup/2026-03-02.zip --config verifier.toml",
    )
    save.add_argument("file", type=Path, metavar="FILE", help="a new file")
    save.set_defaults(run=run_backup)
    back = _command(
        subparsers,
        "restore",
        "put a backup where there is no database",
        "Nothing is overwritten: the database named in the configuration is no file yet, or an "
        "empty PostgreSQL database, whatever the backup was made of. Afterwards let every sender "
        "send again what it sent since: what is in the backup already is answered from the record.",
        "verifier restore /mnt/backup/2026-03-02.zip --config verifier.toml",
    )
    back.add_argument("file", type=Path, metavar="FILE")
    back.add_argument(
        "--accept-loss", action="store_true", help="although entries were signed after the backup"
    )
    back.set_defaults(run=run_restore)
    _register_retention(subparsers)


def _register_retention(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    old = _command(
        subparsers,
        "retention",
        "remove patient data after its time; the audit log still verifies",
        "Without --remove it only counts. Settled cases, the bytes of messages and the details of "
        "audit entries go; what is held, waits or has still to leave stays. `retention.days` in "
        "the configuration does the same every hour. Ask which time your law demands.",
        "verifier retention --before 2016-01-01 --remove --config verifier.toml",
    )
    old.add_argument("--before", required=True, metavar="DATE", help="such as 2016-01-01")
    old.add_argument("--remove", action="store_true", help="do it; this can not be undone")
    old.set_defaults(run=run_retention)


def _command(
    subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]",
    name: str,
    short: str,
    long: str,
    example: str,
) -> argparse.ArgumentParser:
    parser = subparsers.add_parser(
        name,
        help=short,
        description=long,
        epilog=f"example: {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--config", type=Path, default=Path("verifier.toml"), metavar="TOML")
    return parser


def run_backup(args: argparse.Namespace) -> int:
    """Write a backup and say what is in it."""
    from verifier import clock, settings
    from verifier.store.backup import back_up

    loaded = settings.load(args.config)
    about = back_up(loaded.database, loaded.checkpoints, args.file, clock.now(), _progress)
    print(f"{args.file}: {about.size:,} bytes, {about.audit_entries} audit entries, checked")
    return 0


def run_restore(args: argparse.Namespace) -> int:
    """Restore a backup and say from when it is."""
    from verifier import settings
    from verifier.store.backup import restore

    loaded = settings.load(args.config)
    about = restore(
        args.file, loaded.database, loaded.checkpoints, _progress,
        node=loaded.node, accept_loss=args.accept_loss,
    )  # fmt: skip
    print(f"restored as it was on {about.made:%Y-%m-%d at %H:%M:%S %Z} by version {about.program}")
    print("let every sender send again what it sent since then")
    return 0


def run_retention(args: argparse.Namespace) -> int:
    """Count or remove what is older than a date."""
    from verifier.commands.suspend import operator
    from verifier.service.keeping import count_old, remove_old
    from verifier.settings import load
    from verifier.store.retention import Removed
    from verifier.store.store import Store

    settings = load(args.config)
    before = _midnight(args.before, settings.zone)
    with Store.open(
        settings.database, checkpoints=settings.checkpoints, writable=args.remove
    ) as store:
        found = count_old(store, before)
        print(
            f"before {args.before}: {found.cases} settled cases, {found.messages} messages, "
            f"the details of {found.details} audit entries"
        )
        if not args.remove:
            print("nothing was removed; --remove does")
            return 0
        removed = sum(remove_old(store, before, operator()), Removed())
        print(
            f"removed: {removed.cases} cases, {removed.messages} messages, the details of "
            f"{removed.details} audit entries"
        )
    return 0


def _midnight(text: str, zone: str) -> "datetime":
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from verifier.errors import VerifierError

    try:
        return datetime.fromisoformat(text).replace(tzinfo=ZoneInfo(zone))
    except ValueError as error:
        raise VerifierError(f"--before {text}: write a date such as 2016-01-01") from error


def _progress(done: int, every: int) -> None:
    if sys.stderr.isatty():
        end = "\n" if done == every else ""
        print(f"\rcopying {100 * done // max(every, 1)} %", end=end, file=sys.stderr, flush=True)
