"""`verifier rules check`: says everything that is wrong with a rule set, and its identity."""

import argparse
import json
import sys
from pathlib import Path

EXAMPLE = """example:
  verifier rules check rules
  verifier rules check rules --json | jq .identity

exit codes: 0 the rule set can be used, 1 it has errors, 2 there is no such folder"""


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command and its actions."""
    rules = subparsers.add_parser(
        "rules",
        help="check the rules of a laboratory",
        epilog=EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    actions = rules.add_subparsers(title="actions", metavar="ACTION", required=True)
    check = actions.add_parser(
        "check",
        help="report every fault of a rule set with its place and a way to mend it",
        epilog=EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    check.add_argument("folder", type=Path, metavar="DIR", help="folder of *.rules files")
    check.add_argument("--json", action="store_true", help="print one JSON object")
    check.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Check one folder; 0 when it can be used, 1 when it can not."""
    import msgspec

    from verifier.rulefiles import load_folder, rendered

    checked = load_folder(args.folder)
    program = checked.program
    if args.json:
        found = [msgspec.to_builtins(item) for item in checked.diagnostics]
        identity = program.identity if program else None
        print(json.dumps({"identity": identity, "diagnostics": found}, indent=2))
        return 0 if program else 1
    if checked.diagnostics:
        print(rendered(args.folder, checked, color=sys.stdout.isatty()), end="\n\n")
    errors = sum(item.severity == "error" for item in checked.diagnostics)
    remarks = f"remarks: {len(checked.diagnostics) - errors}"
    if program is None:
        print(f"This rule set can not be used. errors: {errors}, {remarks}")
        return 1
    tests = len(program.catalogue.tests)
    print(f"This rule set can be used. rules: {len(program.rules)}, tests: {tests}, {remarks}")
    print(f"identity {program.identity}")
    return 0
