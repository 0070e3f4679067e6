"""What a version guarantees, as it is on record: the one rule of who approves and activates.

It counts for the very texts and the very program it was proved with.
"""

import msgspec

from verifier import __version__
from verifier.assurance.guaranteed import against, with_outcome
from verifier.assurance.proving import Proofs
from verifier.errors import RefusedError
from verifier.store import codec
from verifier.store.rulerows import VersionRow
from verifier.store.transaction import Reader, Transaction


def proofs_of(reader: Reader, version: VersionRow) -> Proofs | None:
    """Return what the guarantees of a version came out as, None unless that counts now."""
    row = reader.rule_proof(version.id)
    if row is None or (row.hash, row.program) != (version.hash, __version__):
        return None
    return msgspec.json.decode(row.result, type=Proofs)


def needed_proofs(reader: Reader, version: VersionRow) -> Proofs:
    """Return what the guarantees came out as, with nothing refuted.

    Raises:
        RefusedError: they were not proved yet, or a case against one was found.
    """
    found = proofs_of(reader, version)
    if found is None:
        raise RefusedError(
            "The guarantees of version %(id)s were not proved by verifier %(version)s yet. "
            "Prove them on its page, or run: verifier rules prove %(id)s --config TOML",
            id=version.id,
            version=__version__,
        )
    refuse_refuted(version.id, found)
    return found


def refuse_refuted(number: int, found: Proofs) -> None:
    """Raise RefusedError when a guarantee of a version is refuted."""
    if broken := with_outcome(found, "refuted"):
        told = " ".join(f"“{proof.name}” – {against(proof)}." for proof in broken)
        raise RefusedError(
            "Version %(number)s breaks its own guarantees, so nobody can approve or "
            "activate it: %(told)s Mend the rule or the guarantee, and have the new texts "
            "proved.",
            number=number,
            told=told,
        )


def put_on_record(tx: Transaction, who: str, version: VersionRow, found: Proofs) -> None:
    """Keep what the guarantees of a version came out as."""
    tx.add_rule_proof(version, __version__, who, codec.encode(found))
    if found.proofs:
        detail = {"hash": version.hash, "program": __version__, **summary(found)}
        tx.audit(who, "proved the guarantees of rules", f"rules:{version.id}", detail)


def summary(found: Proofs) -> dict[str, object]:
    """Return how many are proved, and the names of those that are not, for the record."""
    return {
        "proved": len(with_outcome(found, "proved")),
        "refuted": [proof.name for proof in with_outcome(found, "refuted")],
        "not proved": [proof.name for proof in with_outcome(found, "not proved")],
    }
