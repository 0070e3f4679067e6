"""The guarantees of a version, proved; beside a service in a process of its own."""

import os
import signal
from collections.abc import Callable
from concurrent.futures import Future, wait
from functools import partial
from time import monotonic
from typing import TypeVar

from verifier.assurance.proving import ASSUMED, Proof, Proofs, prove
from verifier.errors import RefusedError, RuleSetError
from verifier.language import Program, check
from verifier.rulefiles import Units, without_marks
from verifier.service.aside import processes
from verifier.service.ruleguarantees import proofs_of, put_on_record
from verifier.service.ruleshelf import RULES, known, texts
from verifier.settings import Settings
from verifier.store.rulerows import RuleTexts, VersionRow
from verifier.store.store import Store
from verifier.store.transaction import Reader, Transaction

# A guarantee takes a second at most; the rest is for a machine with much else to do.
_SECONDS = 120.0
_LOOK = 0.5  # seconds between two tidings
_ERRORS = "It has errors; mend them first."
Progress = Callable[[int, int], None]
_T = TypeVar("_T")


def prove_version(
    store: Store,
    settings: Settings,
    who: str,
    number: int,
    progress: Progress,
    *,
    apart: bool = False,
) -> Proofs:
    """Return what the guarantees of a version come out as; prove and keep it where it is not known.

    `progress` is called in this thread with how many are proved, of how many; when it raises, no
    more are. With `apart` nothing is proved in this process: no message waits for the solver.

    Raises:
        RuleSetError: the version has errors.
        RefusedError: there is no such version, or it was changed while it was proved.
    """

    def read(reader: Reader) -> tuple[VersionRow, RuleTexts, Proofs | None]:
        version = known(reader, number)
        return version, texts(reader, number), proofs_of(reader, version)

    version, written, found = store.read(read)
    if found is not None:
        return found
    # A process takes a moment to start, and most small rule sets guarantee nothing.
    run = _apart if apart and _may_guarantee(written) else _here
    proved = run(written, settings.units, progress)

    def keep(tx: Transaction) -> None:
        tx.claim(RULES)
        if known(tx, number).hash != version.hash:
            raise RefusedError(
                "Version %(number)s was changed while it was proved. Prove it again.",
                number=number,
            )
        put_on_record(tx, who, version, proved)

    store.write(keep)
    return proved


def _may_guarantee(written: RuleTexts) -> bool:
    return any("guarantee" in text for text in written.files.values())


def _here(written: RuleTexts, units: Units, progress: Progress) -> Proofs:
    program = _compiled(written, units)
    if program is None:
        raise RuleSetError(_ERRORS)
    return prove(
        program, seconds=_SECONDS, clock=monotonic, tell=lambda _, done, of: progress(done, of)
    )


def _compiled(written: RuleTexts, units: Units) -> Program | None:
    files = without_marks(written.files)
    return check(files, written.parameters, conventional=units == "conventional").program


def _apart(written: RuleTexts, units: Units, progress: Progress) -> Proofs:
    started = monotonic()
    with processes(1) as process:
        number = process.submit(os.getpid).result()
        try:
            outline = _result(process.submit(_compile, written, units), lambda: progress(0, 0))
            if outline is None:
                raise RuleSetError(_ERRORS)
            identity, count = outline
            proofs = []
            for done in range(count):
                tell = partial(progress, done, count)
                proofs.append(_result(process.submit(_prove, done), tell))
            progress(count, count)
            assumed = (*ASSUMED, *process.submit(_counted_as_any).result())
        except BaseException:
            os.kill(number, signal.SIGKILL)  # the solver does not listen, and a stop must not wait
            raise
    return Proofs(identity, tuple(proofs), monotonic() - started, assumed)


def _result(work: Future[_T], tell: Callable[[], None]) -> _T:
    """Return what a process gives, telling meanwhile how far it is: that may break it off."""
    while not wait([work], _LOOK).done:
        tell()
    return work.result()


# --- in the other process ---

_program: Program | None = None
_prover: "object | None" = None


def _compile(written: RuleTexts, units: Units) -> tuple[str, int] | None:
    """Return the identity and how many guarantees there are, None when there are errors."""
    from verifier.assurance.proof.guarantees import Prover

    global _program, _prover
    program = _compiled(written, units)
    if program is None:
        return None
    _program, _prover = program, Prover(program, _SECONDS, monotonic)
    return program.identity, len(program.guarantees)


def _prove(number: int) -> Proof:
    from verifier.assurance.proof.guarantees import Prover

    assert _program is not None
    assert isinstance(_prover, Prover)
    return _prover.prove(_program.guarantees[number])


def _counted_as_any() -> tuple[str, ...]:
    from verifier.assurance.proof.guarantees import Prover

    assert isinstance(_prover, Prover)
    return _prover.counted_as_any()
