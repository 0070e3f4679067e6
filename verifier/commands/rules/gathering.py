"""Gathers what a validation file is made from: everything that can be run is run."""

import argparse
import os
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from msgspec import Struct

from verifier.assurance.validation import Evidence, Further
from verifier.assurance.validation.evidence import NOT_APPROVED, NOT_PROVED, NOT_REPLAYED
from verifier.commands.rules.testing import show_progress
from verifier.errors import RuleSetError

if TYPE_CHECKING:
    from verifier.language.program import Program
    from verifier.settings import Settings


class Given(Struct, frozen=True):
    """A rule set to report on, with what is on record of it."""

    files: Mapping[str, str]
    parameters: Mapping[str, str]
    origin: str
    replay: Further = NOT_REPLAYED
    approvals: Further = NOT_APPROVED
    proofs: Further = NOT_PROVED


def given(rules: str, site: "Settings | None", at: datetime) -> Given:
    """Return a folder, or the version of the database with a number.

    Raises:
        RefusedError: there is no such version.
        RuleSetError: there is no such folder, or the settings are missing for a version.
    """
    from verifier.rulefiles import read_files

    if not rules.isdecimal() or Path(rules).is_dir():
        path = Path(rules)
        parameters = site.parameters if site else {}
        return Given(read_files(path)[0], parameters, f"folder {path.resolve().name}")
    if site is None:
        raise RuleSetError(f"version {rules} is in a database; name the settings with --config")
    return _version(int(rules), site, at)


def _version(number: int, site: "Settings", at: datetime) -> Given:
    from verifier.rulefiles import without_marks
    from verifier.service import rulerecord, ruleshelf
    from verifier.store.store import Store
    from verifier.store.transaction import Reader

    def read(reader: Reader) -> Given:
        texts = ruleshelf.texts(reader, number)
        return Given(
            without_marks(texts.files), texts.parameters, f"version {number} of the database",
            rulerecord.replay_of(reader, number, at), rulerecord.approvals_of(reader, number, at),
            rulerecord.guarantees_of(reader, number),
        )  # fmt: skip

    with Store.open(site.database, checkpoints=site.checkpoints, writable=False) as store:
        return store.read(read)


def gathered(
    args: argparse.Namespace, found: Given, site: "Settings | None", at: datetime
) -> Evidence:
    """Return what the file is made from.

    Raises:
        RuleSetError: the rule set has errors.
    """
    from verifier import __version__
    from verifier.assurance.suite import run_suite
    from verifier.commands.rules.mistakes import judged
    from verifier.language.ruleset import check
    from verifier.rulefiles import usable

    units = site.units if site else "SI"
    conventional = units == "conventional"
    checked = check(found.files, found.parameters, conventional=conventional)
    usable(checked, found.origin, f"Run: verifier rules check {args.rules}")
    tested = run_suite(found.files, show_progress, found.parameters, conventional=conventional)
    assert tested is not None
    verdicts, mistakes = None, 0
    if args.mutate:
        ran, mistakes = judged(
            found.files, seed=args.seed, jobs=args.jobs or os.cpu_count() or 1, limit=args.limit,
            tell=show_progress,
        )  # fmt: skip
        verdicts = tuple(ran)
    return Evidence(
        tested=tested,
        findings=checked.diagnostics,
        made=at,
        version=__version__,
        made_by=args.by,
        laboratory=site.laboratory if site else "",
        origin=found.origin,
        units=units,
        parameters=found.parameters,
        verdicts=verdicts,
        mistakes=mistakes,
        seed=args.seed,
        proofs=_proofs(tested.program, args.seconds) if args.prove else found.proofs,
        replay=found.replay,
        approvals=found.approvals,
    )


def _proofs(program: "Program", seconds: float) -> Further:
    from time import monotonic

    from verifier.assurance.proving import prove
    from verifier.assurance.validation.proved import of_proofs

    return of_proofs(prove(program, seconds=seconds, clock=monotonic, tell=show_progress))
