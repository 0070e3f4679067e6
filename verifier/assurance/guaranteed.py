"""What the guarantees of a rule set come out as, in words."""

from verifier.assurance.proving import Counterexample, Outcome, Proof, Proofs

NONE = "there are no guarantees, so nothing is proved"


def with_outcome(found: Proofs, outcome: Outcome) -> tuple[Proof, ...]:
    """Return the guarantees that came out one way."""
    return tuple(proof for proof in found.proofs if proof.outcome == outcome)


def unproved(found: Proofs) -> tuple[Proof, ...]:
    """Return the guarantees that are neither proved nor refuted."""
    return with_outcome(found, "not proved")


def standing(found: Proofs) -> str:
    """Return how many are proved, and each by name that is not."""
    if not found.proofs:
        return NONE
    said = [f"{len(with_outcome(found, 'proved'))} of {len(found.proofs)} proved"]
    for word, proofs in (
        ("REFUTED", with_outcome(found, "refuted")),
        ("not proved", unproved(found)),
    ):
        if proofs:
            said.append(f"{word}: {', '.join(f'“{proof.name}”' for proof in proofs)}")
    return "; ".join(said)


def against(proof: Proof) -> str:
    """Return in words what stands against a guarantee that is refuted, or is not proved."""
    if proof.counterexample:
        return case_words(proof.counterexample)
    return "; ".join(proof.why)


def case_words(example: Counterexample) -> str:
    """Return the case of a counterexample as a sentence, the result that leaves at its end."""
    lines = [line.split(maxsplit=1) for line in example.scenario.splitlines()]
    told = [" ".join(words) for words in lines if words and words[0] in ("given", "after")]
    return "; ".join([*told, f"{example.test} leaves"])
