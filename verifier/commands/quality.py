"""`verifier quality`: control levels and results from files, and how tests stand."""

import argparse
import sys
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING

from verifier.errors import SettingsError

if TYPE_CHECKING:
    from verifier.quality.detection import Tuned
    from verifier.service.line import Line
    from verifier.service.tuning import Measured
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

LEAST = 300  # results; fewer say too little about the tails of a statistic
_BIASES = "1,2,3,5,10"
_TUNE = """\
example: verifier quality tune sodium --days 60 --aim 1.5 --config verifier.toml
example: verifier quality tune sodium --from sodium.csv --curve sodium-curve.csv

A CSV file needs a column "value" and may have one "analyzer"; its lines are in the order of
measurement. Analyzers are tuned one by one unless --pool says that their results are to be taken
together. The results are taken to be unbiased. Limits are percentiles of the statistic on the
first half; false alarms and the bias detection curve, which says after how many results the median
place, and 95 of 100 places, see a bias, are found on the second. So many results show only so
little: where they can not show that the accepted false alarms are kept, that is said, and the exit
code is 1. Prove the numbers on results of another time before you rely on them."""


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add `quality define`, `import`, `show` and `tune`."""
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
        help="old results, for charts and figures: none of them fails a test or vouches for it",
    )
    take.set_defaults(run=run_import)
    show = _add(actions, "show", "show how every test stands by its controls",
                "example: verifier quality show --config verifier.toml")  # fmt: skip
    show.set_defaults(run=run_show)
    _register_tune(actions)


def _register_tune(actions: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    tune = _add(actions, "tune", "propose how patients' results of a test are watched", _TUNE)
    tune.add_argument("test", help="test of the rule set")
    tune.add_argument("--from", dest="file", type=Path, metavar="CSV", help="results in a file")
    tune.add_argument("--days", type=int, default=90, help="stored results of so many days")
    several = tune.add_mutually_exclusive_group()
    several.add_argument("--analyzer", default="", metavar="NAME", help="of this analyzer only")
    several.add_argument("--pool", action="store_true", help="take all analyzers as one")
    tune.add_argument("--aim", type=Decimal, default=Decimal(3), metavar="PERCENT",
                      help="the bias that must be found, up and down (default 3)")  # fmt: skip
    tune.add_argument("--alarms", type=Decimal, default=Decimal(1), metavar="N",
                      help="false alarms accepted per 1,000 results (default 1)")  # fmt: skip
    tune.add_argument(
        "--biases", default=_BIASES, help="of the curve, in percent, each up and down"
    )
    tune.add_argument("--curve", type=Path, metavar="CSV", help="write the curves to a file")
    tune.set_defaults(run=run_tune)


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
    from verifier.service.levels import expired
    from verifier.service.qualityacts import define_levels

    settings, line = _line(args.config)
    now, catalogue = clock.now(), line.judge.program.catalogue
    levels = read_levels(str(args.file), _text(args.file), catalogue, ZoneInfo(settings.zone), now)

    def work(tx: "Transaction") -> None:
        define_levels(tx, line.controls, operator(), levels, now)

    in_database(args.config, work)
    print(f"control levels defined: {len(levels)}")
    for level in levels:
        if late := expired([level], level.test, level.analyzer, now):
            print(f"{level.test}: {late}; what is measured of it after that can not be judged")
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
    from verifier.service.gating import stands_now
    from verifier.store.store import Store

    settings, line = _line(args.config)
    with Store.of(settings, writable=False) as store:
        rows = store.read(lambda reader: stands_now(reader, settings.quality, clock.now()))
    found = 0
    for each in rows:
        found += each.state not in ("in control", "warning")
        where = each.row.analyzer or "(other analyzers)"
        said = f"{each.state}{f': {each.why}' if each.why else ''}"
        print(f"{each.row.test:24} {where:20} {said}")
    tests = line.judge.program.catalogue.tests.values()
    wanted = {test.name for test in tests if test.controlled and test.kind != "index"}
    if without := sorted(wanted - {each.row.test for each in rows}):
        print(f"no control defined: {', '.join(without)}")
    return 1 if found else 0


def run_tune(args: argparse.Namespace) -> int:
    """Print the best plans as settings with their curves; 1 when an analyzer has too few results,
    or too few to show that the accepted false alarms are kept.

    Raises:
        SettingsError: there are too few results of any, or a number can not be read.
    """
    from verifier.service.tuning import by_analyzer, read_values, report, shows, write_curve

    measured = read_values(args.file) if args.file else _stored(args.config, args.test, args.days)
    groups = by_analyzer(measured, args.analyzer, pool=args.pool)
    enough = {name: values for name, values in groups.items() if len(values) >= LEAST}
    if not enough:
        most = max(map(len, groups.values()), default=0)
        raise SettingsError(f"{most} results are too few to tune on; {LEAST} are needed")
    found = {}
    for analyzer, values in enough.items():
        name = f"{args.test} on {analyzer}" if analyzer else args.test
        print(f"{len(values)} results of {name}", file=sys.stderr)
        found[name] = _tuned(args, values)
        for line in report(name, found[name], args.alarms):
            print(line)
    for analyzer in groups.keys() - enough.keys():
        few = f"{len(groups[analyzer])} results are too few to tune on"
        print(f"{analyzer or 'analyzer not known'}: {few}; {LEAST} are needed", file=sys.stderr)
    if args.curve:
        write_curve(args.curve, found)
    shown = all(shows(those, args.alarms) for those in found.values())
    return 1 if groups.keys() - enough.keys() or not shown else 0


def _tuned(args: argparse.Namespace, values: "list[Decimal]") -> "list[Tuned]":
    from verifier.quality.detection import tune
    from verifier.service.tuning import read_number

    try:
        sizes = [read_number(text) for text in args.biases.split(",")]
    except ValueError as error:
        raise SettingsError(f"--biases: {error}; give numbers such as 1,3") from error
    biases = sorted({*sizes, *(-size for size in sizes)})
    return tune(values, biases, args.aim, args.alarms, _tried)


def _stored(config: Path, test: str, days: int) -> "list[Measured]":
    from datetime import timedelta

    from verifier import clock
    from verifier.service.wiring import check_known
    from verifier.store.store import Store

    settings, line = _line(config)
    tests = line.judge.program.catalogue.tests
    check_known("test", test, tests)
    since = clock.now() - timedelta(days=days)
    with Store.of(settings, writable=False) as store:
        return store.read(lambda reader: reader.released_numbers(test, tests[test].unit, since))


def _line(config: Path) -> "tuple[Settings, Line]":
    from verifier import settings
    from verifier.commands.suspend import deciding
    from verifier.service.line import Line

    loaded = settings.load(config)
    rules = deciding(loaded)
    return loaded, Line(loaded, rules.program, rules.version)


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


def _tried(done: int, of: int) -> None:
    end = "\n" if done == of else ""
    print(f"\r{done} of {of} plans tried", end=end, file=sys.stderr, flush=True)
