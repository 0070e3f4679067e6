"""`verifier rules prove`: prove the guarantees of a rule set for every patient and value."""

import argparse
import json
import re
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from verifier.commands.rules.testing import show_progress

if TYPE_CHECKING:
    from verifier.assurance.proving import Counterexample, HeldProofs, Proof, Proofs, ResultProof

EXAMPLE = """example:
  verifier rules prove rules
  verifier rules prove rules --guarantee "nothing critical leaves alone"
  verifier rules prove rules --out counterexamples
  verifier judge counterexamples/*.hl7 --rules rules
  verifier rules prove rules --json | jq '.guarantees[] | select(.outcome != "proved")'
  verifier rules prove my-rules --holds-at-least rules     the change only adds holds
  verifier rules prove rules --config site.toml            with the parameters of a site
  verifier rules prove 3 --config site.toml                a version; kept with its check

A guarantee is proved for every patient, value, unit, missing fact and earlier result; or refuted by
a case that the evaluator itself shows, as a scenario to paste and as messages to judge; or not
proved, and it is said why. With --holds-at-least the same is asked of two rule sets: whatever RULES
releases, OLD releases as well. What the guarantees of a version come out as is kept with its check:
one with a refuted guarantee can not be approved or activated.

exit codes: 0 everything is proved, 1 something is not, or there are no guarantees,
            2 a rule set has errors, or there is no such folder or guarantee"""

_INDENT = " " * 12


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
    prove.add_argument(
        "folder", type=Path, metavar="RULES", help="folder of *.rules files, or number of a version"
    )
    what = prove.add_mutually_exclusive_group()
    what.add_argument(
        "--guarantee", action="append", default=[], metavar="NAME", help="only this one; repeatable"
    )
    what.add_argument(
        "--holds-at-least", type=Path, metavar="OLD",
        help="prove instead that nothing leaves that the rule set in OLD holds",
    )  # fmt: skip
    prove.add_argument(
        "--seconds", type=_positive, default=20.0, metavar="N",
        help="the most the solver takes for one guarantee, or for one result; default: 20",
    )  # fmt: skip
    prove.add_argument(
        "--config", type=Path, metavar="TOML", help="settings of the site, whose [parameters] count"
    )
    prove.add_argument("--out", type=Path, metavar="DIR", help="write counterexamples there")
    prove.add_argument("--json", action="store_true", help="print one JSON object")
    prove.set_defaults(run=run)


def _positive(text: str) -> float:
    number = float(text)
    if not 0 < number < 1e6:
        raise argparse.ArgumentTypeError("must be more than 0")
    return number


def run(args: argparse.Namespace) -> int:
    """Prove the guarantees of one rule set, or that it holds at least what another does.

    Raises:
        RuleSetError: a folder can not be read, a rule set has errors, or has no such guarantee.
    """
    number = str(args.folder)
    if number.isdecimal() and not args.folder.is_dir():
        found: Proofs | HeldProofs = _of_version(args, int(number))
    else:
        found = _held(args) if args.holds_at_least else _proved(args)
    if args.out:
        write(args.out, found)
    if args.json:
        print(json.dumps(as_json(found), indent=2))
    else:
        print("\n".join(lines(found)))
    return 0 if found.all_proved else 1


def _of_version(args: argparse.Namespace, number: int) -> "Proofs":
    from functools import partial

    from verifier.commands.rules.signing import opened
    from verifier.commands.suspend import operator
    from verifier.errors import RuleSetError
    from verifier.service.ruleproofs import prove_version

    if args.holds_at_least or args.guarantee:
        raise RuleSetError("of a version all guarantees are proved; write it to a folder to choose")
    settings, store = opened(args.config or Path("verifier.toml"))
    tell = partial(show_progress, "guarantees")
    with store:
        return prove_version(store, settings, operator(), number, tell)


def _proved(args: argparse.Namespace) -> "Proofs":
    from time import monotonic

    from verifier.assurance.proving import prove
    from verifier.errors import RuleSetError
    from verifier.rulefiles import load_program

    program = load_program(args.folder, _parameters(args))
    known = {item.name for item in program.guarantees}
    for name in args.guarantee:
        if name not in known:
            raise RuleSetError(
                f"there is no guarantee {name!r}; known: {', '.join(sorted(known)) or 'none'}"
            )
    return prove(
        program, only=args.guarantee, seconds=args.seconds, clock=monotonic, tell=show_progress
    )


def _parameters(args: argparse.Namespace) -> "Mapping[str, str]":
    from verifier import settings

    return settings.load(args.config).parameters if args.config else {}


def _held(args: argparse.Namespace) -> "HeldProofs":
    from time import monotonic

    from verifier.assurance.proving import prove_holds
    from verifier.rulefiles import load_program

    site = _parameters(args)
    old, new = load_program(args.holds_at_least, site), load_program(args.folder, site)
    return prove_holds(old, new, seconds=args.seconds, clock=monotonic, tell=show_progress)


def _items(found: "Proofs | HeldProofs") -> "Iterable[tuple[str, Proof | ResultProof]]":
    from verifier.assurance.proving import Proofs

    if isinstance(found, Proofs):
        return [(proof.name, proof) for proof in found.proofs]
    return [(proof.test, proof) for proof in found.results]


def lines(found: "Proofs | HeldProofs") -> list[str]:
    """Return the proofs as text; of results that are proved only the number."""
    from verifier.assurance.proving import Proofs

    items, about = list(_items(found)), isinstance(found, Proofs)
    said = [
        line
        for name, proof in items
        if about or proof.outcome != "proved"
        for line in _proof(name, proof)
    ]
    counts = ", ".join(
        f"{what}: {sum(proof.outcome == what for _, proof in items)}"
        for what in ("proved", "refuted", "not proved")
    )
    what = "Guarantees" if about else "Results held wherever they were"
    said += ["", f"{what}: {counts}. Seconds: {found.seconds:.1f}."]
    if not items:
        said.append("There are no guarantees: nothing is proved.")
    return [*said, "", "Every proof assumes:", *(f"  {text}" for text in found.assumed)]


def _proof(name: str, proof: "Proof | ResultProof") -> Iterator[str]:
    yield f"{proof.outcome:<10}  {name}"
    if getattr(proof, "vacuous", False):
        yield f"{_INDENT}its condition is never true: it forbids nothing"
    yield from (f"{_INDENT}{text}" for text in proof.why)
    yield from (f"{_INDENT}{text}" for text in getattr(proof, "assumed", ()))
    example = proof.counterexample
    if example:
        yield from (f"{_INDENT}{text}" for text in example.remarks)
        yield ""
        yield from (f"    {line}" for line in example.scenario.splitlines())
        yield ""


def as_json(found: "Proofs | HeldProofs") -> dict[str, object]:
    """Return the proofs as a JSON object."""
    import msgspec

    from verifier.assurance.proving import Proofs

    said: dict[str, object] = {
        "all_proved": found.all_proved,
        "seconds": round(found.seconds, 3),
        "assumed": list(found.assumed),
    }
    items = [msgspec.to_builtins(proof) for _, proof in _items(found)]
    if isinstance(found, Proofs):
        return {"identity": found.identity, **said, "guarantees": items}
    return {"old": found.old, "new": found.new, **said, "results": items}


def write(folder: Path, found: "Proofs | HeldProofs") -> None:
    """Write counterexamples: a rule file with the scenario, the messages, and control states.

    Raises:
        RuleSetError: the folder can not be written.
    """
    from verifier.errors import RuleSetError

    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, proof in _items(found):
            if proof.counterexample:
                _write_one(folder / _file_name(name), proof.counterexample)
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
