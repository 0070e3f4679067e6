"""`verifier approve`, `activate` and `rollback`: which version of the rules decides."""

import argparse
from collections.abc import Callable
from datetime import datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from verifier.commands.rules.signing import headline, opened, signed, takes_person
from verifier.commands.rules.testing import show_progress
from verifier.errors import RefusedError

if TYPE_CHECKING:
    from verifier.settings import Settings
    from verifier.store.rulerows import ReplayRow, VersionRow
    from verifier.store.store import Store

APPROVE_EXAMPLE = """example:
  verifier approve 3 --as pat --config verifier.toml
  verifier approve 3 --as pat --hash 5f0c2a91e3d7 --replay 88b1c07d54aa --password-file -

Shows what the version changes and what its replay found, then asks for the password. Two different
people must approve the same hash and the same replay, one of whom did not write it.

exit codes: 0 on record, 2 refused, with the reason"""

ACTIVATE_EXAMPLE = """example:
  verifier activate 3 --as ada --config verifier.toml
  verifier activate 3 --at 2026-03-02T06:00 --as ada --note "after the night shift"
  verifier activate --withdraw --as ada

A time without offset is in the time zone of the configuration. A running service judges by the
version within a second of its time. Results that are held stay held until they are judged anew.

exit codes: 0 ordered, 2 refused, with the reason"""

ROLLBACK_EXAMPLE = """example:
  verifier rollback --as ada --because "held every sodium" --config verifier.toml

The version that decided before the active one decides again at once; a second rollback goes
further back. What was pending is withdrawn. To stop automatic release itself: verifier suspend.

exit codes: 0 rolled back, 2 refused, with the reason"""

_SHORTEST_PREFIX = 12


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the three commands."""
    yes = _command(
        subparsers, "approve", "approve a version of the rules, as one of two people",
        APPROVE_EXAMPLE, run_approve,
    )  # fmt: skip
    yes.add_argument("version", type=int, metavar="VERSION", help="its number")
    yes.add_argument("--hash", default="", help="refuse if the version has another one")
    yes.add_argument("--replay", default="", help="refuse if the replay has another one")
    yes.add_argument("--comment", default="", help="goes on record")
    go = _command(
        subparsers, "activate", "let an approved version of the rules decide, now or later",
        ACTIVATE_EXAMPLE, run_activate,
    )  # fmt: skip
    go.add_argument("version", type=int, nargs="?", metavar="VERSION", help="its number")
    go.add_argument("--at", default="", metavar="TIME", help="such as 2026-03-02T06:00")
    go.add_argument("--note", default="", help="goes on record")
    go.add_argument("--withdraw", action="store_true", help="take the pending one back")
    back = _command(
        subparsers, "rollback", "go back to the version of the rules before the active one",
        ROLLBACK_EXAMPLE, run_rollback,
    )  # fmt: skip
    back.add_argument("--because", required=True, metavar="TEXT", help="goes on record")


def _command(
    subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]",
    name: str,
    say: str,
    epilog: str,
    run: Callable[[argparse.Namespace], int],
) -> argparse.ArgumentParser:
    parser = subparsers.add_parser(
        name, help=say, description=f"{say.capitalize()}.", epilog=epilog,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )  # fmt: skip
    takes_person(parser, "who does it, by password", required=True)
    parser.add_argument("--config", type=Path, default=Path("verifier.toml"), metavar="TOML")
    parser.set_defaults(run=run)
    return parser


def run_approve(args: argparse.Namespace) -> int:
    """Show what is approved, ask for the password, and put the approval on record."""
    from verifier.commands.suspend import operator
    from verifier.service.ruleapproval import Seen, approve
    from verifier.service.rulechecks import check_if_outdated
    from verifier.service.rulestate import missing

    settings, store = opened(args.config)
    with store:
        tell = partial(show_progress, "proving")
        check_if_outdated(store, settings, operator(), args.version, tell)
        version, replay = _shown(store, args.version, settings.replay_days)
        _same("hash", args.hash, version.hash)
        _same("replay", args.replay, replay.digest)
        who = signed(store, settings, args, "gave the password to approve rules")
        seen = Seen(version.hash, replay.digest)
        stand = store.write(
            lambda tx: approve(
                tx, who, args.version, seen, args.comment, least=settings.replay_days
            )
        )
    lacking = missing(version, stand)
    print(f"approved by {who.name}" + (f"; {lacking}" if lacking else "; it can be activated"))
    return 0


def _shown(store: "Store", number: int, least: int) -> "tuple[VersionRow, ReplayRow]":
    """Print what a person approves, and return it."""
    from verifier import clock
    from verifier.assurance.guaranteed import standing
    from verifier.assurance.replay_report import as_text
    from verifier.service.replaying import from_store
    from verifier.service.ruleapproval import approvable
    from verifier.service.ruleguarantees import needed_proofs
    from verifier.service.ruleshelf import texts
    from verifier.service.ruletexts import compared

    now = clock.now()
    version, replay = store.read(lambda reader: approvable(reader, number, now, least))
    print(headline(number, version.authors, version.note))
    print(f"  hash      {version.hash}\n  rule set  {version.identity}")
    print(f"  replay    {replay.digest}")
    proofs = store.read(lambda reader: needed_proofs(reader, version))
    print(f"  guarantees {standing(proofs)}")
    for line in as_text(from_store(replay.result)).splitlines():
        print(f"    {line}".rstrip())
    old = store.read(lambda reader: texts(reader, replay.against))
    new = store.read(lambda reader: texts(reader, number))
    print(f"against version {replay.against}, which is active:")
    for sentence in compared(old, new) or ["the meaning is the same"]:
        print(f"  {sentence}")
    return version, replay


def _same(what: str, given: str, found: str) -> None:
    if not given:
        return
    if len(given) < _SHORTEST_PREFIX:
        raise RefusedError(
            "--%(what)s takes at least the first %(shortest_prefix)s characters.",
            what=what,
            shortest_prefix=_SHORTEST_PREFIX,
        )
    if not found.startswith(given):
        raise RefusedError(
            "The %(what)s is %(found)s, not %(given)s.",
            what=what,
            found=found[:12],
            given=given[:12],
        )


def run_activate(args: argparse.Namespace) -> int:
    """Order an activation, or withdraw the pending one."""
    from verifier.commands.suspend import operator
    from verifier.service.rulechecks import check_if_outdated
    from verifier.service.ruleorders import order, withdraw

    if args.withdraw is (args.version is not None):
        raise RefusedError("Name a version, or --withdraw the pending activation; not both.")
    settings, store = opened(args.config)
    at = _instant(args.at, settings) if args.at else None
    with store:
        if not args.withdraw:
            tell = partial(show_progress, "proving")
            check_if_outdated(store, settings, operator(), args.version, tell)
        who = signed(store, settings, args, "gave the password to activate rules")
        if args.withdraw:
            row = store.write(lambda tx: withdraw(tx, who))
            print(f"withdrawn: version {row.version} does not decide from {row.at.isoformat()}")
            return 0
        row = store.write(lambda tx: order(tx, who, args.version, at, args.note))
    print(f"version {row.version} decides from {row.at.isoformat()}")
    return 0


def run_rollback(args: argparse.Namespace) -> int:
    """Go back at once."""
    from verifier.service.ruleorders import roll_back

    settings, store = opened(args.config)
    with store:
        who = signed(store, settings, args, "gave the password to roll rules back")
        row = store.write(lambda tx: roll_back(tx, who, args.because))
    print(f"version {row.version} decides again from {row.at.isoformat()}")
    return 0


def _instant(text: str, settings: "Settings") -> datetime:
    from zoneinfo import ZoneInfo

    try:
        at = datetime.fromisoformat(text)
    except ValueError as error:
        raise RefusedError(
            "%(given)r is no time; write one such as 2026-03-02T06:00", given=text
        ) from error
    return at if at.tzinfo else at.replace(tzinfo=ZoneInfo(settings.zone))
