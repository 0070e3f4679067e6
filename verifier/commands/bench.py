"""`verifier bench`: rates of this installation as ratios against named baselines."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from verifier.bench.measure import Measured, Taken


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "bench",
        help="measure intake, decision, replay and parse rates against baselines in the same run",
        description="Measures on this machine, in one run, on fresh temporary databases. Ratios "
        "matter, rates depend on the machine. The rule engines answer yes or no to ready-made "
        "numbers; ours also says why, what is unknown, and from which facts.",
        epilog="example: verifier bench --messages 2000\n"
        "example: verifier bench --history 10000000\n"
        "example: verifier bench --database postgresql://verifier@localhost/empty",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--messages", type=int, default=2000, help="how many (default 2000)")
    parser.add_argument("--rules", type=Path, help="rule set (default: the shipped one)")
    parser.add_argument(
        "--database", metavar="URL", help="measure intake on this empty database as well"
    )
    parser.add_argument(
        "--history", type=int, default=200_000, metavar="RESULTS",
        help="how many earlier results growth is measured with (default 200000; 10000000 needs "
        "about 10 GB and some minutes)",
    )  # fmt: skip
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Measure and print a table; 0 always, for a rate is no verdict."""
    from verifier.bench import measure
    from verifier.bench.deciding import measure_forty
    from verifier.bench.editing import measure_edits
    from verifier.bench.growing import measure_growth
    from verifier.bench.replaying import measure_replay
    from verifier.bench.starting import measure_start
    from verifier.rulefiles import load_program, shipped_rules

    rules = args.rules or shipped_rules()
    raws = measure.prepared(args.messages)
    program = load_program(rules)
    print(f"{'what':<8}{'ours':>12}  {'unit':<24}{'baseline':>12}  {'named':<28}{'ratio':>8}")
    show(measure.measure_parse(raws))
    show(measure.measure_decision(raws, program))
    forty, missing = measure_forty()
    for row in forty:
        show(row)
    if missing:
        print(f"not installed, so not measured: {', '.join(missing)} (install verifier[bench])")
    replayed = measure_replay(raws, rules)
    show(replayed.row)
    print(
        f"replay of a million results at this rate: {replayed.million:.0f} s, of them "
        f"{replayed.start:.1f} s to start; the largest process took {replayed.memory:.0f} MB"
    )
    row, taken = measure_edits(rules)
    show(row)
    taken.sort()
    half, most = (1000 * taken[int(part * (len(taken) - 1))] for part in (0.5, 0.95))
    print(f"live check of an edit: half {half:.0f} ms, 95 % {most:.0f} ms")
    starts = measure_start(rules)
    print(
        f"start to listening: {starts.first:.1f} s the first time, {starts.again:.1f} s with rules "
        f"it checked before; importing the libraries alone takes {starts.libraries:.1f} s"
    )
    show_intake(measure.measure_intake(raws, rules))
    if args.database:
        print(f"intake on {args.database.partition(':')[0]}:")
        show_intake(measure.measure_intake(raws, rules, args.database))
    if args.history:
        row, earlier = measure_growth(rules, args.history, args.messages)
        show(row)
        print(f"growth was measured with {earlier:,} earlier results")
    return 0


def show_intake(taken: "Taken") -> None:
    """Print the lines of one load."""
    for row in taken.rows:
        show(row)
    for what, load in (("full speed", taken.full), ("half of it", taken.half)):
        half, most = (1000 * load.percentile(part) for part in (0.5, 0.99))
        print(
            f"acknowledged at {what}, {load.rate:.0f}/s: half within {half:.1f} ms, "
            f"99 % within {most:.1f} ms"
        )
    print(f"the service held at most {taken.memory:.0f} MB")


def show(row: "Measured") -> None:
    """Print one line of the table."""
    print(
        f"{row.what:<8}{row.ours:>12,.0f}  {row.unit:<24}{row.baseline:>12,.0f}  "
        f"{row.against:<28}{row.ratio:>7.2f}×",
        flush=True,
    )
