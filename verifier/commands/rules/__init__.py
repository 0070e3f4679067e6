"""`verifier rules`: check a rule set, and what helps to write and to compare rule sets."""

import argparse
import json
import os
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING

from verifier.commands.rules import proofs, report, testing, usage, versions, yields

if TYPE_CHECKING:
    from collections.abc import Callable

    from verifier.language import Checked

CHECK_EXAMPLE = """example:
  verifier rules check rules
  verifier rules check rules --watch
  verifier rules check rules --config verifier.toml              as this site uses them
  verifier rules check rules --json | jq .identity

exit codes: 0 the rule set can be used, 1 it has errors, 2 there is no such folder"""

FORMAT_EXAMPLE = """example:
  verifier rules format my-rules
  verifier rules format rules --check

exit codes: 0 everything is laid out, 1 a file is not (--check) or can not be read, 2 wrong use"""

DIFF_EXAMPLE = """example:
  verifier rules diff rules my-rules
  verifier rules diff rules my-rules --config site.toml          both as this site uses them
  verifier rules diff rules rules --config old.toml new.toml     what a site's own values change

Scenarios and guarantees are compared as well; they decide nothing.

exit codes: 0 nothing differs, 1 something does, 2 one of them can not be used"""

LIMITS_EXAMPLE = """example:
  verifier rules limits rules
  verifier rules limits rules --test potassium
  verifier rules limits rules --units conventional --json

Limits shown in conventional units are converted from the declared unit, which is the one judged
in; they are marked, and carry two places more than results are reported with.

exit codes: 0 printed, 2 the rule set can not be used or has no such limits"""

TEXTMATE_EXAMPLE = """example:
  verifier rules textmate > laboratory-rules.tmLanguage.json"""

_PAUSE = 0.3  # seconds between two looks at a watched folder


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command and its actions."""
    rules = subparsers.add_parser(
        "rules",
        help="check, test, prove, lay out and compare the rules of a laboratory",
        epilog=CHECK_EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    actions = rules.add_subparsers(title="actions", metavar="ACTION", required=True)
    _register_check(actions)
    _register_format(actions)
    _register_diff(actions)
    _register_limits(actions)
    for part in (testing, proofs, yields, versions, report, usage):
        part.register(actions)
    textmate = _action(
        actions, "textmate", "print a TextMate grammar, to highlight rules in editors",
        TEXTMATE_EXAMPLE,
    )  # fmt: skip
    textmate.set_defaults(run=print_textmate)


def _action(
    actions: "argparse._SubParsersAction[argparse.ArgumentParser]", name: str, say: str, epilog: str
) -> argparse.ArgumentParser:
    raw = argparse.RawDescriptionHelpFormatter
    return actions.add_parser(name, help=say, epilog=epilog, formatter_class=raw)


def _register_check(actions: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    check = _action(
        actions,
        "check",
        "report every fault of a rule set with its place and a way to mend it",
        CHECK_EXAMPLE,
    )
    check.add_argument("folder", type=Path, metavar="DIR", help="folder of *.rules files")
    check.add_argument(
        "--config", type=Path, metavar="TOML", help="settings whose [parameters] and units count"
    )
    form = check.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="print one JSON object")
    form.add_argument("--html", action="store_true", help="print one HTML page")
    form.add_argument("--watch", action="store_true", help="check again on every change")
    check.set_defaults(run=check_rules)


def _register_format(actions: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    layout = _action(
        actions,
        "format",
        "lay out rule files in the one canonical way; words and comments stay",
        FORMAT_EXAMPLE,
    )
    layout.add_argument("folder", type=Path, metavar="DIR", help="folder of *.rules files")
    layout.add_argument("--check", action="store_true", help="write nothing, say what is not")
    layout.set_defaults(run=format_rules)


def _register_diff(actions: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    diff = _action(
        actions, "diff", "say in words how one rule set differs from another", DIFF_EXAMPLE
    )
    diff.add_argument("old", type=Path, metavar="A", help="folder of the rule set as it was")
    diff.add_argument("new", type=Path, metavar="B", help="folder of the rule set as it becomes")
    diff.add_argument(
        "--config", type=Path, nargs="+", metavar="TOML", default=[],
        help="settings whose [parameters] count: one file for both, or one for A and one for B",
    )  # fmt: skip
    diff.set_defaults(run=diff_rules)


def _register_limits(actions: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    show = _action(
        actions, "limits", "print every limit with population, unit and source", LIMITS_EXAMPLE
    )
    show.add_argument("folder", type=Path, metavar="DIR", help="folder of *.rules files")
    show.add_argument("--units", choices=("SI", "conventional"), help="default: the site's, or SI")
    show.add_argument("--test", default="", metavar="NAME", help="the limits of one test only")
    show.add_argument("--config", type=Path, metavar="TOML", help="settings of the site")
    show.add_argument("--json", action="store_true", help="print one JSON object")
    show.set_defaults(run=show_limits)


def check_rules(args: argparse.Namespace) -> int:
    """Check one folder; 0 when it can be used, 1 when it can not."""
    look = _looker(args.folder, args.config)
    if args.watch:
        return watch_rules(args.folder, look)
    checked = look()
    show = _show_json if args.json else _show_html if args.html else _show_text
    show(args.folder, checked)
    return 0 if checked.program else 1


def _looker(folder: Path, config: Path | None) -> "Callable[[], Checked]":
    """Return what checks a folder, as a site uses it if there is a configuration."""
    from verifier import settings
    from verifier.rulefiles import load_folder
    from verifier.service.wiring import check_wiring

    if config is None:
        return lambda: load_folder(folder)
    site = settings.load(config)

    def look() -> "Checked":
        checked = load_folder(folder, site.parameters, site.units)
        if checked.program:
            check_wiring(site, checked.program.catalogue)
        return checked

    return look


def _show_json(folder: Path, checked: "Checked") -> None:
    from verifier.language.rendering import as_json
    from verifier.rulefiles import lines_of

    lines = lines_of(folder)
    found = [as_json(item, lines.get(item.file, ())) for item in checked.diagnostics]
    identity = checked.program.identity if checked.program else None
    print(json.dumps({"identity": identity, "diagnostics": found}, indent=2))


def _show_html(folder: Path, checked: "Checked") -> None:
    from verifier.language.rendering import html_page
    from verifier.rulefiles import lines_of

    print(html_page(f"Rules in {folder.name}", checked.diagnostics, lines_of(folder)))


def _show_text(folder: Path, checked: "Checked") -> None:
    from verifier.rulefiles import rendered

    if checked.diagnostics:
        print(rendered(folder, checked, color=_wants_color()), end="\n\n")
    errors = sum(item.severity == "error" for item in checked.diagnostics)
    remarks = f"remarks: {len(checked.diagnostics) - errors}"
    program = checked.program
    if program is None:
        print(f"This rule set can not be used. errors: {errors}, {remarks}")
        return
    tests = len(program.catalogue.tests)
    print(f"This rule set can be used. rules: {len(program.rules)}, tests: {tests}, {remarks}")
    print(f"identity {program.identity}")


def _wants_color() -> bool:
    # no-color.org: NO_COLOR counts when it is set and not empty.
    return sys.stdout.isatty() and not os.environ.get("NO_COLOR")


def watch_rules(folder: Path, look: "Callable[[], Checked]") -> int:
    """Check a folder now and after every change, until Ctrl-C; returns what the last check said."""
    from verifier.errors import RuleSetError
    from verifier.rulefiles import stamps

    seen = stamps(folder)
    checked = look()
    try:
        while True:
            _show_text(folder, checked)
            print(f"watching {folder}, Ctrl-C ends", flush=True)
            while (now := stamps(folder)) == seen:
                time.sleep(_PAUSE)
            while now != seen:  # a file that is being written is not read yet
                time.sleep(_PAUSE)
                seen, now = now, stamps(folder)
            print()
            try:
                checked = look()
            except RuleSetError as error:
                print(error)
    except KeyboardInterrupt:
        return 0 if checked.program else 1


def format_rules(args: argparse.Namespace) -> int:
    """Lay out the files of a folder, or say which are not."""
    from verifier.rulefiles import laid_out, write_files

    changed, unreadable = laid_out(args.folder)
    for name in unreadable:
        print(f"{name}: can not be read, run: verifier rules check {args.folder}")
    for name in changed:
        print(f"{name}: {'is not laid out' if args.check else 'laid out'}")
    if not args.check:
        write_files(args.folder, changed)
    return 1 if unreadable or (args.check and changed) else 0


def diff_rules(args: argparse.Namespace) -> int:
    """Print how two rule sets differ, one sentence a line."""
    from verifier import settings
    from verifier.errors import SettingsError
    from verifier.language.differences import differences
    from verifier.rulefiles import load_program, read_files

    if len(args.config) > 2:
        raise SettingsError("--config takes one file for both rule sets, or one for each")
    sites = [settings.load(path).parameters for path in args.config] or [{}]
    old, new = sites[0], sites[-1]
    load_program(args.old, old)
    load_program(args.new, new)
    sentences = differences(read_files(args.old)[0], read_files(args.new)[0], old, new)
    for sentence in sentences:
        print(sentence)
    return 1 if sentences else 0


def show_limits(args: argparse.Namespace) -> int:
    """Print the limits of a rule set, in either kind of units."""
    from verifier import settings
    from verifier.errors import RuleSetError
    from verifier.language.limitlist import as_json, as_text, limit_lines
    from verifier.rulefiles import load_program

    site = settings.load(args.config) if args.config else None
    units = args.units or (site.units if site else "SI")
    program = load_program(args.folder, site.parameters if site else {}, units)
    lines = limit_lines(program, args.test)
    if args.test and not lines:
        known = ", ".join(sorted({line.test for line in limit_lines(program)})) or "none"
        raise RuleSetError(f"there are no limits for {args.test!r}; known: {known}")
    if args.json:
        print(json.dumps(as_json(program, units, lines), indent=2, ensure_ascii=False))
    else:
        print(as_text(program, units, lines))
        print("Limits are examples until a laboratory has validated them.", file=sys.stderr)
    return 0


def print_textmate(args: argparse.Namespace) -> int:
    """Print the grammar for editors."""
    from verifier.language.textmate import as_json

    print(as_json())
    return 0
