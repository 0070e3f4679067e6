"""`verifier replay`: what a candidate rule set would have decided on stored history."""

import argparse
import re
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from verifier.errors import SettingsError

if TYPE_CHECKING:
    from verifier.assurance.replaying import Replay, Stretch
    from verifier.service.candidates import Candidate
    from verifier.service.replaying import Progress
    from verifier.settings import Settings

_EPILOG = """\
examples:
  verifier replay --candidate new-rules --last 30d
  verifier replay --candidate new-rules --from 2026-01-01 --to 2026-02-01 --test potassium
  verifier replay --candidate 3 --html replay.html --json > replay.json
  verifier replay --candidate active --against recorded    does the record come out again?

Every stored decision is judged again from the facts it was made from. --against says with what it
is compared: "active", the rules that decide now (their own decisions are taken from the record
unless --again), "recorded", the decisions as they were made, or other rules. A result counts once,
however often it was judged. Times without zone are UTC.

The replay of a version against the active version is kept beside it; approvals name its hash.

The list is worst first: what the candidate would newly release and a person once rejected or
corrected stands at the top, then what loses a critical flag or a call. What is only said otherwise
comes last.

exit codes: 0 nothing differs, 1 something does, 2 wrong use"""

_SPAN = re.compile(r"(\d{1,6})([hdw])")
_UNITS = {"h": timedelta(hours=1), "d": timedelta(days=1), "w": timedelta(weeks=1)}
_BAR, _EVERY = 30, 0.2


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "replay",
        help="judge stored history again with a candidate rule set and show what differs",
        description="Judges a stretch of stored history again with a candidate rule set, with what "
        "was known then, and shows what would have been decided differently.",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--config", type=Path, default=Path("verifier.toml"), metavar="TOML")
    parser.add_argument(
        "--candidate",
        required=True,
        metavar="RULES",
        help='folder, number of a version, or "active"',
    )
    parser.add_argument(
        "--against",
        default="active",
        metavar="RULES",
        help='"active" (default), "recorded", or as above',
    )
    parser.add_argument(
        "--from", dest="since", metavar="WHEN", help="2026-01-31 or ...T07:30+01:00"
    )
    parser.add_argument("--to", dest="until", metavar="WHEN", help="up to before this instant")
    parser.add_argument("--last", metavar="SPAN", help="instead of --from: 12h, 30d, 8w")
    parser.add_argument("--test", action="append", default=[], metavar="NAME", help="repeatable")
    parser.add_argument("--connection", action="append", default=[], metavar="NAME")
    parser.add_argument("--again", action="store_true", help="take no decision from the record")
    parser.add_argument("--jobs", type=int, metavar="N", help="processes (default: one per core)")
    parser.add_argument(
        "--limit", type=int, default=200, metavar="N", help="changed results kept (default 200)"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.add_argument("--html", type=Path, metavar="FILE", help="write a page to print as well")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Replay and print; 1 when anything differs.

    Raises:
        SettingsError: an argument or the configuration can not be used.
        RuleSetError: a rule set can not be used. StoreError: the database can not be read.
    """
    from verifier import settings
    from verifier.service import candidates
    from verifier.service.replaying import RECORDED, run_replay
    from verifier.store.store import Store

    site = settings.load(args.config)
    if args.jobs is not None and args.jobs < 1:
        raise SettingsError("--jobs: at least 1")
    if args.limit < 1:
        raise SettingsError("--limit: at least 1")
    asked = stretch(args)
    with Store.of(site, writable=False) as store:
        candidate = store.read(lambda reader: candidates.named(reader, args.candidate, site))
        against = None
        if args.against != RECORDED:
            against = store.read(lambda reader: candidates.named(reader, args.against, site))
    found = run_replay(
        site, candidate, against, asked,
        jobs=args.jobs, most=args.limit, again=args.again, progress=progress_bar(),
    )  # fmt: skip
    show(found, site, as_json=args.json, html=args.html)
    _keep(found, site, candidate, against)
    return 1 if found.differs else 0


def stretch(args: argparse.Namespace) -> "Stretch":
    """Return the part of history the arguments name.

    Raises:
        SettingsError: a time or span can not be read, or the stretch is empty.
    """
    from verifier.assurance.replaying import Stretch

    since = _instant(args.since, "--from")
    if args.last:
        if since:
            raise SettingsError("give --from or --last, not both")
        found = _SPAN.fullmatch(args.last)
        if not found:
            raise SettingsError(f"--last: {args.last!r} is no span; write 12h, 30d or 8w")
        try:
            since = datetime.now(UTC) - int(found[1]) * _UNITS[found[2]]
        except OverflowError as error:
            raise SettingsError(f"--last: {args.last} lies before every calendar") from error
    until = _instant(args.until, "--to")
    if since and until and since >= until:
        raise SettingsError("--to must lie after --from")
    return Stretch(since, until, frozenset(args.test), frozenset(args.connection))


def _instant(text: str | None, option: str) -> datetime | None:
    if text is None:
        return None
    try:
        found = datetime.fromisoformat(text)
    except ValueError as error:
        raise SettingsError(
            f"{option}: {text!r} is no date; write 2026-01-31 or 2026-01-31T07:30+01:00"
        ) from error
    return found if found.tzinfo else found.replace(tzinfo=UTC)


def progress_bar() -> "Progress":
    """Return what draws a bar on standard error, if somebody may be looking there."""
    if not sys.stderr.isatty():
        return lambda done, of: None
    began = time.monotonic()
    drawn = began

    def draw(done: int, of: int) -> None:
        nonlocal drawn
        now = time.monotonic()
        if now - drawn < _EVERY and done < of:
            return
        drawn = now
        filled = _BAR * done // of
        bar = "#" * filled + "-" * (_BAR - filled)
        end = "\n" if done >= of else ""
        print(
            f"\r[{bar}] {done / of:4.0%} {done:,} of {of:,} decisions, {now - began:.0f} s",
            end=end, file=sys.stderr, flush=True,
        )  # fmt: skip

    return draw


def _keep(
    found: "Replay", site: "Settings", candidate: "Candidate", against: "Candidate | None"
) -> None:
    """Keep what two versions differ in, whole, beside the candidate: approvals name its hash."""
    from verifier.commands.suspend import operator
    from verifier.service.replaying import to_store
    from verifier.service.ruleshelf import store_replay
    from verifier.store.store import Store

    whole = not (found.stretch.tests or found.stretch.connections)
    if candidate.version is None or against is None or against.version is None or not whole:
        return
    number, other, seen = candidate.version, against.version, candidate.texts.hash
    kept, who = to_store(found), operator()
    with Store.of(site) as store:
        digest = store.write(lambda tx: store_replay(tx, number, other, kept, seen=seen, who=who))
    print(f"kept beside version {number}; approvals name the hash {digest[:12]}", file=sys.stderr)


def _write_sheet(found: "Replay", site: "Settings", path: Path) -> None:
    from verifier.web.replaysheet import replay_sheet

    try:
        path.write_text(replay_sheet(found, site.laboratory), encoding="utf-8")
    except OSError as error:
        raise SettingsError(f"{path}: {error.strerror}") from error
    print(f"written: {path}", file=sys.stderr)


def show(found: "Replay", site: "Settings", *, as_json: bool, html: Path | None) -> None:
    """Print a replay and write its page.

    Raises:
        SettingsError: the page can not be written.
    """
    import msgspec

    from verifier.assurance.replay_report import as_text

    if as_json:
        sys.stdout.buffer.write(msgspec.json.format(msgspec.json.encode(found), indent=2) + b"\n")
    else:
        print(as_text(found))
    if html:
        _write_sheet(found, site, html)
