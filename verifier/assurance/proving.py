"""Proves the guarantees of a rule set: for every patient and value, not for examples.

A guarantee is proved, refuted by a case that the evaluator itself has shown, or not proved. What
can not be written for the solver never counts as proved.
"""

from collections.abc import Callable, Collection
from typing import Literal

from msgspec import Struct

from verifier.assurance.asking import Progress, quiet
from verifier.language.program import Program

Outcome = Literal["proved", "refuted", "not proved"]
Clock = Callable[[], float]

ASSUMED = (
    "a result has faults of its own, or none: unreadable, without unit, flagged, not final, "
    "corrected and repeated results are held by safeguards, whatever the rules say",
    "numbers are exact; the evaluator rounds at the 20th digit and later",
    "time is ordered: earlier results were collected before, and specimens are measured after "
    "they were collected",
    "no rule fails with a defect; one that does holds",
)
READ_ALIKE = "both rule sets read messages alike: codes that both know name the same tests"


class Counterexample(Struct, frozen=True):
    """A case in which a result leaves that should not, as the evaluator has shown it.

    `test` is the result. `scenario` can be pasted into a rule file, and fails there; `messages` is
    a file for `verifier judge`, `quality` one for its `--quality`, "" where every test is in
    control. What can not be written is "", and `remarks` say why, or what is to be known of it.
    """

    test: str
    scenario: str = ""
    messages: str = ""
    quality: str = ""
    remarks: tuple[str, ...] = ()


class Proof(Struct, frozen=True):
    """What became of one guarantee.

    `tests` are the results it speaks of. `why` says, one sentence each, what stands against it, or
    what kept it from being proved. `assumed` says which functions its condition names that count as
    any number. `vacuous` marks one whose condition is never true: it forbids nothing.
    """

    name: str
    source: str
    outcome: Outcome
    tests: tuple[str, ...]
    seconds: float
    why: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    vacuous: bool = False
    counterexample: Counterexample | None = None


class Proofs(Struct, frozen=True):
    """What became of all guarantees of a rule set, by name; `identity` is that of the rule set.

    `assumed` is what every proof rests on.
    """

    identity: str
    proofs: tuple[Proof, ...]
    seconds: float
    assumed: tuple[str, ...]

    @property
    def all_proved(self) -> bool:
        """Whether there are guarantees and every one is proved."""
        return bool(self.proofs) and all(item.outcome == "proved" for item in self.proofs)


class ResultProof(Struct, frozen=True):
    """Whether a result is held by a new rule set wherever an old one held it; as in `Proof`."""

    test: str
    outcome: Outcome
    seconds: float
    why: tuple[str, ...] = ()
    counterexample: Counterexample | None = None


class HeldProofs(Struct, frozen=True):
    """Whether a new rule set holds at least what an old one held, result by result.

    `old` and `new` are the identities. `assumed` is what every proof rests on.
    """

    old: str
    new: str
    results: tuple[ResultProof, ...]
    seconds: float
    assumed: tuple[str, ...]

    @property
    def all_proved(self) -> bool:
        """Whether nothing leaves now that was held."""
        return all(item.outcome == "proved" for item in self.results)


def prove_holds(
    old: Program,
    new: Program,
    *,
    seconds: float = 10.0,
    clock: Clock = lambda: 0.0,
    tell: Progress = quiet,
) -> HeldProofs:
    """Prove that whatever `new` releases, `old` releases as well: the change only adds holds.

    `seconds` bounds what the solver takes for one result; `clock` measures, in seconds.
    """
    from verifier.assurance.proof.comparison import Comparison

    started, comparison, found = clock(), Comparison(old, new, seconds, clock), list[ResultProof]()
    names = comparison.results()
    for number, name in enumerate(names, start=1):
        found.append(comparison.prove(name))
        tell("results", number, len(names))
    assumed = (*ASSUMED, READ_ALIKE, *comparison.counted_as_any())
    return HeldProofs(old.identity, new.identity, tuple(found), clock() - started, assumed)


def prove(
    program: Program,
    *,
    only: Collection[str] = (),
    seconds: float = 10.0,
    clock: Clock = lambda: 0.0,
    tell: Progress = quiet,
) -> Proofs:
    """Prove the guarantees of a rule set, or `only` those of some names.

    `seconds` bounds what the solver takes for one guarantee; `clock` measures, in seconds.
    """
    # Imported late: loading the solver takes longer than most commands.
    from verifier.assurance.proof.guarantees import Prover

    chosen = [g for g in program.guarantees if not only or g.name in only]
    started, prover, proofs = clock(), Prover(program, seconds, clock), list[Proof]()
    for number, guarantee in enumerate(chosen, start=1):
        proofs.append(prover.prove(guarantee))
        tell("guarantees", number, len(chosen))
    assumed = (*ASSUMED, *prover.counted_as_any())
    return Proofs(program.identity, tuple(proofs), clock() - started, assumed)
