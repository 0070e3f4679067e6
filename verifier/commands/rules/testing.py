"""`verifier rules test`: run scenarios and edge cases, and say what is not tested."""

import argparse
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from verifier.assurance.suite import SuiteRun

EXAMPLE = """example:
  verifier rules test rules
  verifier rules test rules --edges
  verifier rules test rules --junit report.xml --require-coverage
  verifier rules test rules --json | jq .coverage

exit codes: 0 every scenario and every edge case is as expected,
            1 one is not, or there are no scenarios, or not all is covered (--require-coverage),
            2 the rule set has errors, or there is no such folder"""


def register(actions: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the action."""
    test = actions.add_parser(
        "test",
        help="run the scenarios and a case beside every limit, and say what is not tested",
        description="Runs every scenario, and for every limit row a value just below, at and just "
        "above each edge, through the decision that judges results. Says for every rule, every "
        "part of a condition and every limit whether it was tested.",
        epilog=EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    test.add_argument("folder", type=Path, metavar="DIR", help="folder of *.rules files")
    test.add_argument("--edges", action="store_true", help="list every edge case")
    test.add_argument("--json", action="store_true", help="print one JSON object")
    test.add_argument(
        "--junit", type=Path, metavar="FILE", help="write JUnit XML for build servers"
    )
    test.add_argument("--require-coverage", action="store_true", help="fail unless all is covered")
    test.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Test one rule set."""
    from verifier.assurance.telling import as_json, lines

    tested = tested_folder(args.folder)
    if args.junit:
        write_junit(args.junit, tested)
    if args.json:
        print(json.dumps(as_json(tested, edges=args.edges), indent=2))
    else:
        print("\n".join(lines(tested, edges=args.edges)))
    complete = not tested.coverage.missing
    return 0 if tested.passed and (complete or not args.require_coverage) else 1


def tested_folder(folder: Path) -> "SuiteRun":
    """Return what testing the rule set in a folder shows.

    Raises:
        RuleSetError: the folder can not be read, or the rule set has errors.
    """
    from verifier.assurance.suite import run_suite
    from verifier.rulefiles import load_program, read_files

    tested = run_suite(read_files(folder)[0], show_progress)
    if tested is None:
        load_program(folder)  # says what is wrong
    assert tested is not None
    return tested


def show_progress(what: str, done: int, of: int) -> None:
    """Say on a terminal how far it is; the line is gone when it is done."""
    if not sys.stderr.isatty():
        return
    width = 30
    bar = "#" * (width * done // of)
    end = "\r\x1b[K" if done == of else ""
    print(f"\r{what:<12} [{bar:<{width}}] {done} of {of}{end}", end="", file=sys.stderr, flush=True)


def write_junit(path: Path, tested: "SuiteRun") -> None:
    """Write the report for build servers.

    Raises:
        RuleSetError: the file can not be written.
    """
    from verifier.assurance.junit import as_junit
    from verifier.errors import RuleSetError

    try:
        path.write_text(as_junit(tested), encoding="utf-8")
    except OSError as error:
        raise RuleSetError(f"{path}: {error.strerror}") from error
