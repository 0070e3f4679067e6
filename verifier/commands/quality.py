"""`verifier quality`: control levels and results from files, and how tests stand."""

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from verifier.errors import SettingsError

if TYPE_CHECKING:
    from verifier.service.line import Line
    from verifier.settings import Settings
    from verifier.store.transaction import Transaction

_DEFINE = """\
example: verifier quality define levels.csv --config verifier.toml

columns: test,material,lot,level,mark,unit,mean,sd,expires and, if a level is for one analyzer
only, analyzer. mark is how the specimen id begins under which the analyzer measures the level;
mean and sd are those of the insert; expires is a date. An empty unit is that of the test."""
_IMPORT = """\
example: verifier quality import march.csv --config verifier.toml

columns: at,test,analyzer,material,lot,level,value,unit and, where runs are named, run.
at is a time such as 2026-03-02T08:15, in the zone of the settings unless it has an offset.
Lines stored before are passed over, so a file may be imported again when it has grown."""


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add `quality define`, `import` and `show`."""
    parser = subparsers.add_parser(
        "quality",
        help="control levels, control results, and how tests stand by their controls",
        epilog="example: verifier quality show --config verifier.toml",
    )
    actions = parser.add_subparsers(title="actions", metavar="ACTION", required=True)
    define = _add(actions, "define", "define control levels from a CSV file", _DEFINE)
    define.add_argument("file", type=Path, metavar="FILE", help="levels")
    define.set_defaults(run=run_define)
    take = _add(actions, "import", "take control results from a CSV file", _IMPORT)
    take.add_argument("file", type=Path, metavar="FILE", help="control results")
    take.add_argument(
        "--history",
        action="store_true",
        help="old results: no failure among them has consequences, and controls count from new on",
    )
    take.set_defaults(run=run_import)
    show = _add(actions, "show", "show how every test stands by its controls",
                "example: verifier quality show --config verifier.toml")  # fmt: skip
    show.set_defaults(run=run_show)


def _add(
    actions: "argparse._SubParsersAction[argparse.ArgumentParser]",
    name: str,
    text: str,
    epilog: str,
) -> argparse.ArgumentParser:
    parser = actions.add_parser(
        name, help=text, epilog=epilog, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--config", type=Path, default=Path("verifier.toml"), metavar="TOML")
    return parser


def run_define(args: argparse.Namespace) -> int:
    """Define levels; all of the file or nothing."""
    from zoneinfo import ZoneInfo

    from verifier import clock
    from verifier.commands.suspend import in_database, operator
    from verifier.service.controlfiles import read_levels
    from verifier.service.qualityacts import define_levels

    settings, line = _line(args.config)
    now, catalogue = clock.now(), line.judge.program.catalogue
    levels = read_levels(str(args.file), _text(args.file), catalogue, ZoneInfo(settings.zone), now)

    def work(tx: "Transaction") -> None:
        define_levels(tx, line.controls, operator(), levels, now)

    in_database(args.config, work)
    print(f"control levels defined: {len(levels)}")
    return 0


def run_import(args: argparse.Namespace) -> int:
    """Import results; 1 when some could not be judged."""
    from zoneinfo import ZoneInfo

    from verifier import clock
    from verifier.commands.suspend import in_database, operator
    from verifier.service.controlfiles import read_results
    from verifier.service.importing import Imported, take_lines

    settings, line = _line(args.config)
    now, catalogue = clock.now(), line.judge.program.catalogue
    lines = read_results(str(args.file), _text(args.file), catalogue, ZoneInfo(settings.zone), now)

    def work(tx: "Transaction") -> Imported:
        return take_lines(
            tx, line.controls, operator(), lines, now, history=args.history, told=_progress
        )

    told = in_database(args.config, work)
    print(f"control results: {told.new} new, {told.known} known before")
    for why in told.not_judged:
        print(f"not judged: {why}")
    return 1 if told.not_judged else 0


def run_show(args: argparse.Namespace) -> int:
    """Print one line per test and analyzer; 1 when one of them is not in control."""
    from verifier import clock
    from verifier.service.gating import overdue
    from verifier.store.store import Store

    settings, _ = _line(args.config)
    with Store.open(settings.database, checkpoints=settings.checkpoints, writable=False) as store:
        rows = store.read(lambda reader: reader.standings())
    found = 0
    for row in rows:
        late = overdue(row, settings.quality, clock.now())
        state = "overdue" if late and row.state != "out of control" else row.state
        why = late if state == "overdue" else row.why
        found += state not in ("in control", "warning")
        where = row.analyzer or "(other analyzers)"
        print(f"{row.test:24} {where:20} {state}{f': {why}' if why else ''}")
    if not rows:
        print("no control is defined")
    return 1 if found else 0


def _line(config: Path) -> "tuple[Settings, Line]":
    from verifier import settings
    from verifier.rulefiles import load_program
    from verifier.service.line import Line

    loaded = settings.load(config)
    return loaded, Line(loaded, load_program(loaded.rules, loaded.parameters))


def _text(path: Path) -> str:
    try:
        return path.read_text(encoding="utf-8")
    except OSError as error:
        raise SettingsError(f"{path}: {error.strerror}") from error
    except UnicodeDecodeError as error:
        raise SettingsError(f"{path}: this is not UTF-8 text; save it as UTF-8") from error


def _progress(done: int, of: int) -> None:
    if done % 500 == 0 or done == of:
        print(f"\r{done} of {of}", end="\n" if done == of else "", file=sys.stderr, flush=True)
