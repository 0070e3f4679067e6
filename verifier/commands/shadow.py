"""`verifier shadow`: let a candidate judge live traffic beside the rules that decide."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from verifier.errors import RefusedError

if TYPE_CHECKING:
    from verifier.store.shadows import Shadow
    from verifier.store.transaction import Reader

_EPILOG = """\
examples:
  verifier shadow start 3
  verifier shadow start new-rules
  verifier shadow report --html shadow.html
  verifier shadow stop

The running service judges every decision it makes a second time with the candidate, in a process
of its own and only after it has answered. Nothing is held, released or sent because of it. The run
goes on after a restart where it was. The report counts and lists as that of verifier replay does.

exit codes of report: 0 nothing differs, 1 something does; of the others: 0 done; 2 wrong use"""


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command with its actions."""
    parser = subparsers.add_parser(
        "shadow",
        help="let a candidate judge live traffic beside the active rules, with no effect",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    begin = actions.add_parser(
        "start",
        help="begin a shadow run with a candidate",
        epilog="example: verifier shadow start 3",
    )
    begin.add_argument("candidate", metavar="RULES", help="folder or number of a version")
    end = actions.add_parser(
        "stop", help="end the shadow run", epilog="example: verifier shadow stop"
    )
    told = actions.add_parser(
        "report",
        help="say what the candidate decided otherwise",
        epilog="example: verifier shadow report --html shadow.html",
    )
    told.add_argument("number", nargs="?", type=int, help="an earlier run (default: the newest)")
    told.add_argument("--json", action="store_true", help="print one JSON object")
    told.add_argument("--html", type=Path, metavar="FILE", help="write a page to print as well")
    told.add_argument("--limit", type=int, default=200, metavar="N", help="changed results kept")
    for action, run in ((begin, run_start), (end, run_stop), (told, run_report)):
        action.add_argument("--config", type=Path, default=Path("verifier.toml"), metavar="TOML")
        action.set_defaults(run=run)


def run_start(args: argparse.Namespace) -> int:
    """Start.

    Raises:
        RefusedError: one is running, or there is no such version.
        RuleSetError: the candidate has errors.
    """
    from verifier import settings
    from verifier.commands.suspend import operator
    from verifier.service import candidates, shadowacts
    from verifier.store.store import Store

    site = settings.load(args.config)
    with Store.of(site) as store:
        candidate = store.read(lambda reader: candidates.named(reader, args.candidate, site))
        identity = candidate.program().identity
        number = store.write(lambda tx: shadowacts.start(tx, operator(), candidate, identity))
    print(f"shadow run {number} started: {candidate.name}, rule set {identity[:12]}")
    return 0


def run_stop(args: argparse.Namespace) -> int:
    """Stop. Raises RefusedError when none is running."""
    from verifier.commands.suspend import in_database, operator
    from verifier.service import shadowacts

    number = in_database(args.config, lambda tx: shadowacts.stop(tx, operator()))
    print(f"shadow run {number} stopped")
    return 0


def run_report(args: argparse.Namespace) -> int:
    """Report; 1 when anything differs. Raises RefusedError when there is no such run."""
    from verifier import settings
    from verifier.commands.replay import progress_bar, show
    from verifier.service import shadowacts
    from verifier.store.store import Store

    site = settings.load(args.config)
    with Store.of(site, writable=False) as store:
        shadow = store.read(lambda reader: _chosen(reader, args.number))
        found = shadowacts.report(store, shadow, most=args.limit, progress=progress_bar())
    print(_standing(shadow), file=sys.stderr)
    show(found, site, as_json=args.json, html=args.html)
    return 1 if found.differs else 0


def _chosen(reader: "Reader", number: int | None) -> "Shadow":
    known = reader.shadows()
    if not known:
        raise RefusedError("No candidate has run as a shadow yet. Run: verifier shadow start RULES")
    if number is None:
        return known[-1]
    found = reader.shadow(number)
    if found is None:
        raise RefusedError(
            "There is no shadow run %(number)s; the newest is %(id)s.",
            number=number,
            id=known[-1].id,
        )
    return found


def _standing(shadow: "Shadow") -> str:
    until = (
        f"stopped {shadow.ended:%Y-%m-%d %H:%M} by {shadow.ended_by}"
        if shadow.ended
        else ("running")
    )
    return (
        f"shadow run {shadow.id}: {shadow.name}, started {shadow.started:%Y-%m-%d %H:%M} by "
        f"{shadow.started_by}, {until}; {shadow.judged:,} decisions judged, "
        f"{shadow.differing:,} differ, {shadow.failed:,} failed"
    )
