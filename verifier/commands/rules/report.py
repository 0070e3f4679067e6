"""`verifier rules report`: the validation file of a rule set, to be reviewed and signed."""

import argparse
from datetime import datetime
from pathlib import Path

from verifier.errors import RuleSetError

_EPILOG = """\
examples:
  verifier rules report rules --out validation.html --pdf validation.pdf
  verifier rules report rules --pdf validation.pdf --config verifier.toml --by "A. Author"
  verifier rules report 3 --config verifier.toml --pdf version-3.pdf       a version of the database
  verifier rules report rules --pdf validation.pdf --prove --mutate --limit 500
  verifier rules report rules --pdf again.pdf --at 2026-03-01T09:30+00:00

The file holds every test, limit, derived result and rule with its source, the scenarios and edge
cases as they were executed just now, what was not tested, and lines to sign. With --config the
rule set is tested with the numbers and units of that site, and of a version of the database its
proofs, replay, approvals and activations are in the file. The same rules, options and time (--at)
give the same file, byte for byte.

exit codes: 0 written, every scenario and edge is as expected and no guarantee is refuted,
            1 written, and one is not, or is refuted (the file says which, on its first page),
            2 the rule set can not be used, or wrong use: nothing is written"""


def register(actions: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the action to `verifier rules`."""
    parser = actions.add_parser(
        "report",
        help="write the validation file of a rule set, to be reviewed and signed",
        epilog=_EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument(
        "rules", metavar="RULES", help="folder of *.rules files, or the number of a version"
    )
    parser.add_argument("--out", type=Path, metavar="FILE", help="write it as HTML")
    parser.add_argument("--pdf", type=Path, metavar="FILE", help="write it as PDF, to keep")
    parser.add_argument("--config", type=Path, metavar="TOML", help="settings of the site")
    parser.add_argument("--by", default="", metavar="NAME", help="who makes it")
    parser.add_argument("--at", default="", metavar="TIME", help="the time it says; default: now")
    prove = parser.add_argument_group("proofs", "prove the guarantees for every patient and value")
    prove.add_argument("--prove", action="store_true", help="do so; may take minutes")
    prove.add_argument(
        "--seconds", type=float, default=20.0, metavar="N",
        help="the most the solver takes for one guarantee; default: 20",
    )  # fmt: skip
    mutate = parser.add_argument_group(
        "mistakes", "put small mistakes into the rules, and say which nothing notices"
    )
    mutate.add_argument("--mutate", action="store_true", help="do so; takes minutes")
    mutate.add_argument("--seed", type=int, default=0, metavar="N", help="of everything drawn")
    mutate.add_argument("--jobs", type=int, metavar="N", help="processes; default: all cores")
    mutate.add_argument("--limit", type=int, metavar="N", help="draw at most N mistakes")
    parser.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Write the file; 1 when a scenario or an edge is not as expected.

    Raises:
        RefusedError: there is no such version.
        RuleSetError: the rule set can not be used, nothing is to be written, or it can not be.
        SettingsError: the settings can not be read.
    """
    from verifier import settings
    from verifier.assurance.validation import validation_file
    from verifier.commands.rules.gathering import gathered, given

    if not args.out and not args.pdf:
        raise RuleSetError("say where to write the file: --out FILE.html, --pdf FILE.pdf, or both")
    site, at = settings.load(args.config) if args.config else None, _moment(args.at)
    evidence = gathered(args, given(args.rules, site, at), site, at)
    document = validation_file(evidence)
    if args.out:
        from verifier.documents.html import as_html

        _write(args.out, as_html(document).encode())
    if args.pdf:
        from verifier.documents.pdf import as_pdf

        _write(args.pdf, as_pdf(document))
    tested = evidence.tested
    failing = sum(not ran.passed for ran in tested.ran) + len(tested.failed_edges)
    print(f"scenarios and edges that are not as expected: {failing}")
    print(f"guarantees: {evidence.proofs.standing}")
    return 0 if tested.passed and not evidence.proofs.wrong else 1


def _moment(text: str) -> datetime:
    from verifier import clock

    if not text:
        return clock.now().replace(microsecond=0)
    try:
        found = datetime.fromisoformat(text)
    except ValueError as error:
        raise RuleSetError(f"--at {text}: this is no time; write 2026-03-01T09:30+00:00") from error
    if found.tzinfo is None:
        raise RuleSetError(f"--at {text}: the zone is missing; write {text}+00:00")
    return found


def _write(path: Path, data: bytes) -> None:
    """Write a file, whole or not at all."""
    draft = path.with_name(f"{path.name}.new")
    try:
        draft.write_bytes(data)
        draft.replace(path)
    except OSError as error:
        raise RuleSetError(f"{path}: {error.strerror}") from error
    print(f"written: {path}")
