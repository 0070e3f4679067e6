"""`verifier rules prove`: prove the guarantees of a rule set for every patient and value."""

import argparse
import json
import re
from pathlib import Path
from typing import TYPE_CHECKING

from verifier.commands.rules.testing import show_progress

if TYPE_CHECKING:
    from verifier.assurance.proving import Counterexample, Proof, Proofs

EXAMPLE = """example:
  verifier rules prove rules
  verifier rules prove rules --guarantee "nothing critical leaves alone"
  verifier rules prove rules --out counterexamples
  verifier judge counterexamples/*.hl7 --rules rules
  verifier rules prove rules --json | jq '.guarantees[] | select(.outcome != "proved")'

A guarantee is proved for every patient, value, unit, missing fact and earlier result; or refuted by
a case that the evaluator itself shows, as a scenario to paste and as messages to judge; or not
proved, and it is said why.

exit codes: 0 every guarantee is proved, 1 one is not, or there are none,
            2 the rule set has errors, or there is no such folder or guarantee"""


def register(actions: "argparse._SubParsersAction[argparse.ArgumentParser]") -> None:
    """Add the action."""
    prove = actions.add_parser(
        "prove",
        help="prove the guarantees for every patient and value, or show a case against them",
        description="Proves `guarantee … never release … when …` by a solver, for all cases at "
        "once. Prints what every proof assumes.",
        epilog=EXAMPLE,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    prove.add_argument("folder", type=Path, metavar="DIR", help="folder of *.rules files")
    prove.add_argument(
        "--guarantee", action="append", default=[], metavar="NAME", help="only this one; repeatable"
    )
    prove.add_argument(
        "--seconds", type=float, default=20.0, metavar="N",
        help="the most the solver takes for one guarantee; default: 20",
    )  # fmt: skip
    prove.add_argument("--out", type=Path, metavar="DIR", help="write counterexamples there")
    prove.add_argument("--json", action="store_true", help="print one JSON object")
    prove.set_defaults(run=run)


def run(args: argparse.Namespace) -> int:
    """Prove the guarantees of one rule set.

    Raises:
        RuleSetError: the folder can not be read, the rule set has errors, or has no such guarantee.
    """
    from time import monotonic

    from verifier.assurance.proving import prove
    from verifier.errors import RuleSetError
    from verifier.rulefiles import load_program

    program = load_program(args.folder)
    known = {item.name for item in program.guarantees}
    for name in args.guarantee:
        if name not in known:
            raise RuleSetError(f"there is no guarantee {name!r}; known: {', '.join(sorted(known))}")
    found = prove(
        program, only=args.guarantee, seconds=args.seconds, clock=monotonic, tell=show_progress
    )
    if args.out:
        write(args.out, found)
    if args.json:
        print(json.dumps(as_json(found), indent=2))
    else:
        print("\n".join(lines(found)))
    return 0 if found.all_proved else 1


def lines(found: "Proofs") -> list[str]:
    """Return the proofs as text."""
    said = [line for proof in found.proofs for line in _proof(proof)]
    counts = [
        f"{what}: {sum(proof.outcome == what for proof in found.proofs)}"
        for what in ("proved", "refuted", "not proved")
    ]
    said += ["", f"Guarantees {', '.join(counts)}. Seconds: {found.seconds:.1f}."]
    if not found.proofs:
        said.append("There are no guarantees: nothing is proved.")
    return [*said, "", "Every proof assumes:", *(f"  {text}" for text in found.assumed)]


def _proof(proof: "Proof") -> list[str]:
    said = [f"{proof.outcome:<10}  {proof.name}"]
    if proof.vacuous:
        said.append("            its condition is never true: it forbids nothing")
    said += [f"            {text}" for text in (*proof.why, *proof.assumed)]
    example = proof.counterexample
    if example:
        said += [f"            {text}" for text in example.remarks]
        said += ["", *(f"    {line}" for line in example.scenario.splitlines()), ""]
    return said


def as_json(found: "Proofs") -> dict[str, object]:
    """Return the proofs as a JSON object."""
    import msgspec

    return {
        "identity": found.identity,
        "all_proved": found.all_proved,
        "seconds": round(found.seconds, 3),
        "assumed": list(found.assumed),
        "guarantees": [msgspec.to_builtins(proof) for proof in found.proofs],
    }


def write(folder: Path, found: "Proofs") -> None:
    """Write counterexamples: a rule file with the scenario, the messages, and control states.

    Raises:
        RuleSetError: the folder can not be written.
    """
    from verifier.errors import RuleSetError

    try:
        folder.mkdir(parents=True, exist_ok=True)
        for proof in found.proofs:
            if proof.counterexample:
                _write_one(folder / _file_name(proof.name), proof.counterexample)
    except OSError as error:
        raise RuleSetError(f"{folder}: {error.strerror}") from error


def _write_one(stem: Path, example: "Counterexample") -> None:
    for suffix, text in (
        (".rules", example.scenario), (".hl7", example.messages), (".toml", example.quality),
    ):  # fmt: skip
        if text:
            stem.with_suffix(suffix).write_text(text, encoding="utf-8", newline="")


def _file_name(name: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-")[:80]
