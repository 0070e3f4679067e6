"""`verifier explain`: what a code of the checker means, or why a specimen was decided so."""

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from verifier.store.rows import StoredDecision
    from verifier.store.transaction import Reader, Transaction

EXAMPLE = """example:
  verifier explain R204
  verifier explain
  verifier explain S26-004711 --config verifier.toml     every decision on a specimen

A decision names the version of the rules that made it, and what it rested on. That it was looked
at goes on record.

exit codes: 0 printed, 1 nothing was decided on this specimen, 2 there is no such code"""


def register(subparsers: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the command."""
    parser = subparsers.add_parser(
        "explain",
        help="say what a code of `rules check` means, or why the results of a specimen were "
        "released or held",
        epilog=EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "code", nargs="?", metavar="CODE", help="such as R204, or with --config a specimen"
    )
    parser.add_argument("--config", type=Path, metavar="TOML", help="whose specimens")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Print one page, the list of codes, or the decisions on a specimen."""
    from verifier.language import explaining

    if args.code and args.config:
        return _decided(args.config, args.code)
    print(explaining.as_text(args.code) if args.code else explaining.contents())
    return 0


def _decided(config: Path, specimen: str) -> int:
    from verifier.commands.suspend import in_database

    lines = in_database(config, lambda tx: _told(tx, specimen))
    print("\n".join(lines) if lines else f"nothing was decided on specimen {specimen}")
    return 0 if lines else 1


def _told(tx: "Transaction", specimen: str) -> list[str]:
    from verifier.commands.suspend import operator

    case = tx.case_by_specimen(specimen)
    if case is None:
        return []
    patient = case.record.patient
    detail = {"patient": patient.key if patient else "", "specimen": specimen}
    tx.audit(operator(), "looked at", f"case:{case.id}", detail)
    return [line for made in tx.decisions(case.id) for line in _explained(tx, made)]


def _explained(reader: "Reader", made: "StoredDecision") -> list[str]:
    from verifier.decide.explain import sentences

    version = made.version and reader.rule_version(made.version)
    if not version:
        return [*sentences(made.decision), "It names no version of the rules.", ""]
    by = f"That is version {version.id} of the rules, hash {version.hash}."
    return [*sentences(made.decision), by, ""]
