"""`verifier bench`: rates of this installation as ratios against named baselines."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from verifier.bench.measure import Measured


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "bench",
        help="measure intake, decision, replay and parse rates against baselines in the same run",
        description="Measures on this machine, in one run, on fresh temporary databases. Ratios "
        "matter, rates depend on the machine. The rule engines answer yes or no to ready-made "
        "numbers; ours also says why, what is unknown, and from which facts.",
        epilog="example: verifier bench --messages 2000",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--messages", type=int, default=2000, help="how many (default 2000)")
    parser.add_argument("--rules", type=Path, help="rule set (default: the shipped one)")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Measure and print a table; 0 always, for a rate is no verdict."""
    from verifier.bench import measure
    from verifier.bench.deciding import measure_forty
    from verifier.bench.editing import measure_edits
    from verifier.bench.replaying import measure_replay
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
    rows, load = measure.measure_intake(raws, rules)
    for row in rows:
        show(row)
    print(
        f"acknowledged within (intake, {measure.CONNECTIONS} connections): "
        f"half {load.percentile(0.5) * 1000:.1f} ms, 99 % {load.percentile(0.99) * 1000:.1f} ms"
    )
    return 0


def show(row: "Measured") -> None:
    """Print one line of the table."""
    print(
        f"{row.what:<8}{row.ours:>12,.0f}  {row.unit:<24}{row.baseline:>12,.0f}  "
        f"{row.against:<28}{row.ratio:>7.2f}×",
        flush=True,
    )
