"""`verifier rules usage`: how often each rule held in service, and what people did next."""

import argparse
import json
import sys
from datetime import datetime, timedelta
from pathlib import Path

from verifier.errors import SettingsError

_EPILOG = """\
examples:
  verifier rules usage --config verifier.toml
  verifier rules usage --config verifier.toml --since 2026-01-01
  verifier rules usage --config verifier.toml --days 7 --json | jq '.rules[0]'

Counts, of specimens received since then, the results each rule held: alone, or with others; and
what became of them: released by a person as they were (unchanged), left with another value
(corrected), rejected, withdrawn by the sender, released by the rules themselves when more was
known, still open. The median is the time from the first hold until a person settled it.
A rule that was always overridden, or that never held anything, stands out and comes first; one
that asks to call somebody is meant to have its results released after the call.

exit codes: 0 nothing stands out, 1 a rule was always overridden or never held anything,
            2 wrong use"""


def register(actions: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the action to `verifier rules`."""
    parser = actions.add_parser(
        "usage",
        help="say how often each rule held in service, and what people did next",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--config", type=Path, default=Path("verifier.toml"), metavar="TOML")
    when = parser.add_mutually_exclusive_group()
    when.add_argument("--days", type=int, default=90, metavar="N", help="default: 90")
    when.add_argument("--since", metavar="DATE", help="such as 2026-01-01")
    parser.add_argument(
        "--least", type=int, default=10, metavar="N",
        help="specimens settled before a rule is called always overridden; default: 10",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="print one JSON object")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Count and print; 1 when a rule stands out.

    Raises:
        RuleSetError: the rules of the configuration can not be used.
        SettingsError: the configuration or the date can not be read.
        StoreError: the database can not be read.
    """
    from verifier import clock, settings
    from verifier.assurance import usage_report
    from verifier.service.rulestart import deciding
    from verifier.service.using import read_usage
    from verifier.store.store import Store

    site = settings.load(args.config)
    since = _since(args, clock.now())
    with Store.of(site, writable=False) as store:
        program = deciding(store, site, clock.now).program
        usage = read_usage(store, program, since, least=args.least, tell=_tell)
    if args.json:
        print(json.dumps(usage_report.as_json(usage, args.least), indent=2))
    else:
        print(usage_report.as_text(usage, args.least))
    findings = ("always overridden", "never held anything")
    return 1 if any(use.standing(args.least) in findings for use in usage.rules) else 0


def _since(args: argparse.Namespace, now: datetime) -> datetime:
    if not args.since:
        return now - timedelta(days=args.days)
    try:
        found = datetime.fromisoformat(args.since)
    except ValueError as error:
        raise SettingsError(f"--since {args.since}: write a date such as 2026-01-01") from error
    return found if found.tzinfo else found.replace(tzinfo=now.tzinfo)


def _tell(cases: int) -> None:
    if sys.stderr.isatty():
        print(f"\r\x1b[Kspecimens read: {cases} \r", end="", file=sys.stderr, flush=True)
