"""`verifier audit`: checks the audit log, in the database or in an export, writes exports, and
proves single entries to others."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from verifier.commands.audit import proving

if TYPE_CHECKING:
    from verifier.store.notes import PublicKey
    from verifier.store.store import Store
    from verifier.store.verify import Report


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add `audit` and its actions."""
    parser = subparsers.add_parser(
        "audit",
        help="verify, export or prove the audit log",
        epilog="example: verifier audit verify --config verifier.toml",
    )
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    _register_verify(actions)
    _register_export(actions)
    proving.register(actions)


def _register_verify(actions: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    parser = actions.add_parser(
        "verify",
        help="find edited, removed, reordered or cut-off entries",
        description="Checks every entry against the signed checkpoints. Trust it as far as you "
        "trust the checkpoints and the key: keep copies of both elsewhere and name them here.",
        epilog="example: verifier audit verify --export audit.jsonl "
        "--checkpoints copy/audit.checkpoints --key copy/audit.public",
    )
    where = parser.add_mutually_exclusive_group()
    where.add_argument("--config", type=Path, default=Path("verifier.toml"), metavar="TOML")
    where.add_argument("--export", type=Path, metavar="FILE", help="check an export, offline")
    parser.add_argument("--checkpoints", type=Path, metavar="FILE", help="a copy kept elsewhere")
    parser.add_argument("--key", type=Path, metavar="FILE", help="the public key kept elsewhere")
    _add_log(parser, "check the log of this node alone; without it, or copies, those of all")
    parser.set_defaults(run=run_verify)


def _register_export(actions: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    parser = actions.add_parser(
        "export",
        help="write the audit log to a file that can be verified anywhere",
        epilog="example: verifier audit export audit.jsonl --without-details",
    )
    parser.add_argument("file", type=Path, metavar="FILE", help="a new file")
    parser.add_argument("--config", type=Path, default=Path("verifier.toml"), metavar="TOML")
    parser.add_argument(
        "--without-details",
        action="store_true",
        help="leave out the details, which may name patients",
    )
    _add_log(parser, "of this node, where several share the database")
    parser.set_defaults(run=run_export)


def _add_log(parser: argparse.ArgumentParser, what: str) -> None:
    parser.add_argument("--log", default="", metavar="NODE", help=what)


def run_verify(args: argparse.Namespace) -> int:
    """Verify and say what was found: 0 nothing wrong, 1 findings."""
    notes, key = _kept_elsewhere(args.checkpoints, args.key)
    if args.export:
        reports = {"": _verify_export(args.export, notes, key)}
    else:
        with _open(args.config) as store:
            one = args.log or notes is not None or key is not None
            checked = {args.log: store.verify_audit(notes, key, args.log)} if one else None
            reports = checked or store.verify_logs()
    return _show(reports, trusted=notes is not None and key is not None)


def run_export(args: argparse.Namespace) -> int:
    """Write an export; an existing file is never overwritten."""
    from verifier.errors import StoreError

    with _open(args.config) as store:
        try:
            with args.file.open("xb") as file:
                count = store.export_audit(file, details=not args.without_details, log=args.log)
        except OSError as error:
            raise StoreError(f"{args.file}: {error.strerror}") from error
    print(f"{count} entries written to {args.file}")
    return 0


def _open(config: Path) -> "Store":
    from verifier.settings import load
    from verifier.store.store import Store

    settings = load(config)
    return Store.of(settings, writable=False)


def _kept_elsewhere(
    checkpoints: Path | None, key: Path | None
) -> "tuple[list[str] | None, PublicKey | None]":
    from verifier.errors import StoreError
    from verifier.store.notes import PublicKey, split_notes

    try:
        notes = split_notes(checkpoints.read_text(encoding="utf-8")) if checkpoints else None
        return notes, PublicKey.read(key.read_text(encoding="utf-8")) if key else None
    except (OSError, ValueError) as error:
        raise StoreError(f"checkpoints or key can not be read: {error}") from error


def _verify_export(path: Path, notes: "list[str] | None", key: "PublicKey | None") -> "Report":
    from verifier.errors import StoreError
    from verifier.store.export import verify_export

    try:
        with path.open("rb") as file:
            return verify_export(file, notes, key)
    except (OSError, ValueError) as error:
        raise StoreError(f"{path} can not be verified: {error}") from error


def _show(reports: "dict[str, Report]", *, trusted: bool) -> int:
    for log, report in reports.items():
        if len(reports) > 1:
            print(f"log {log}")
        _show_one(report)
    if not trusted:
        print(
            "checked with the checkpoints and key found beside the log; "
            "copies kept elsewhere prove more (--checkpoints, --key)",
            file=sys.stderr,
        )
    found = any(report.findings for report in reports.values())
    print("altered or not provable" if found else "nothing was altered")
    return 1 if found else 0


def _show_one(report: "Report") -> None:
    for finding in report.findings:
        print(f"finding: {finding}")
    print(
        f"{report.entries} entries, {report.signed} of them under {report.checkpoints} "
        f"checkpoints, root {report.root.hex()}"
    )
    if unsigned := report.entries - report.signed:
        print(
            f"{unsigned} entries came after the last checkpoint: only the next one will cover them"
        )
    for said in report.said:
        print(said)
    if report.without_detail:
        print(f"{report.without_detail} entries stand without their details")
