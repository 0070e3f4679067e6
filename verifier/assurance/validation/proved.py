"""What was proved of the guarantees, as a part of the validation file."""

from collections import Counter

from verifier.assurance.proving import Proof, Proofs
from verifier.assurance.validation.evidence import Further
from verifier.documents.document import Block, Cell, Column, Paragraph, Points, Table


def of_proofs(found: Proofs) -> Further:
    """Return the proofs; a guarantee counts as proved only where the solver says so."""
    count = Counter(proof.outcome for proof in found.proofs)
    if not found.proofs:
        return Further("there are none, so nothing is proved")
    standing = f"{count['proved']} of {len(found.proofs)} proved"
    if count["refuted"]:
        standing += f", {count['refuted']} REFUTED by a counterexample"
    if count["not proved"]:
        standing += f", {count['not proved']} not proved"
    empty = sum(proof.vacuous for proof in found.proofs)
    if empty:
        standing += f", {empty} that forbid nothing"
    columns = (
        Column("guarantee", 4),
        Column("outcome", 1.3),
        Column("why, and what it rests on", 5),
    )
    rows = tuple((proof.name, _outcome(proof), _why(proof)) for proof in found.proofs)
    assumed = Points(tuple(found.assumed))
    blocks: list[Block] = [
        Paragraph("Proved means: for every patient, value and missing fact, by a solver (SMT)."),
        Table(columns, rows),
        Paragraph("Every proof assumes", "strong"),
        assumed,
    ]
    refuted = tuple(proof.name for proof in found.proofs if proof.outcome == "refuted")
    for proof in found.proofs:
        if proof.counterexample and proof.counterexample.scenario:
            blocks += [
                Paragraph(f"Counterexample to “{proof.name}”", "strong"),
                Paragraph(proof.counterexample.scenario.rstrip(), "code"),
            ]
    return Further(standing, tuple(blocks), look=not found.all_proved or empty > 0, wrong=refuted)


def _outcome(proof: Proof) -> Cell:
    if proof.vacuous:
        return Cell(f"{proof.outcome}; its condition is never true", "bad")
    return Cell(proof.outcome, "" if proof.outcome == "proved" else "bad")


def _why(proof: Proof) -> str:
    remarks = proof.counterexample.remarks if proof.counterexample else ()
    return "\n".join((*proof.why, *proof.assumed, *remarks))
