"""Releasing like specimens with one signature: the same act on each, each in a transaction."""

from collections.abc import Iterable
from functools import partial

from msgspec import Struct

from verifier.errors import RefusedError
from verifier.service import actions, worklist
from verifier.service.judging import Judge
from verifier.service.settling import Words
from verifier.store.ids import new_id
from verifier.store.likeness import alone, likeness
from verifier.store.rows import Person, StoredCase
from verifier.store.severity import open_results
from verifier.store.store import Store
from verifier.store.transaction import Reader, Transaction
from verifier.store.worklistrows import View

MOST = 200  # specimens under one signature


class Chosen(Struct, frozen=True):
    """A specimen of a batch as the person has seen it."""

    case_id: int
    version: int


class Batch(Struct, frozen=True):
    """What would leave with one signature, and why the rest would not, by case."""

    leaving: tuple[StoredCase, ...]
    staying: tuple[tuple[int, StoredCase | None, RefusedError], ...]


def gather(reader: Reader, seen: View, chosen: Iterable[Chosen]) -> Batch:
    """Sort what was chosen into what may leave together and what may not, with the reason.

    The first that may be part of a batch says what the others must be like.
    """
    leaving: list[StoredCase] = []
    staying = []
    like = ""
    for one in chosen:
        stored = reader.case(one.case_id)
        why = _hindrance(reader, seen, stored, one.version, like)
        if why:
            staying.append((one.case_id, stored, why))
        elif stored:
            like = like or _likeness(stored)
            leaving.append(stored)
    return Batch(tuple(leaving), tuple(staying))


def release(
    store: Store,
    judge: Judge,
    seen: View,
    who: Person,
    chosen: Iterable[Chosen],
    like: str,
    comment: str,
    words: Words,
) -> int:
    """Release what still is as it was seen; return the number of the batch.

    Each specimen goes through `actions.release` in a transaction of its own, with the version the
    person has seen: one that changed, was claimed or is not like the others (any more) stays and
    is named in the record of the batch with the reason. `words` say why the rules that held them
    are overridden, once for all.
    """
    number = new_id()
    left: list[int] = []
    stayed: dict[str, str] = {}
    for one in chosen:
        try:
            store.write(partial(_release_one, judge, seen, who, one, like, comment, words, number))
            left.append(one.case_id)
        except RefusedError as refused:
            stayed[str(one.case_id)] = str(refused)
    detail = {"released": left, "not released": stayed, "comment": comment, "role": who.role}
    detail["reason"] = " ".join(filter(None, (words.reason, words.why)))
    store.write(lambda tx: tx.audit(who.name, "signed a batch", f"batch:{number}", detail))
    return number


def _release_one(
    judge: Judge,
    seen: View,
    who: Person,
    one: Chosen,
    like: str,
    comment: str,
    words: Words,
    number: int,
    tx: Transaction,
) -> None:
    stored = tx.claim_case(one.case_id)
    if why := _hindrance(tx, seen, stored, one.version, like):
        raise why
    assert stored is not None
    places = held_places(stored)
    detail = {"batch": number, "places": places}
    tx.audit(who.name, "signed in a batch", f"case:{one.case_id}", detail)
    actions.release(
        tx, judge, who, one.case_id, places, comment, seen.now, expected=one.version, words=words
    )
    worklist.after_acting(tx, seen, who.name, one.case_id)


def held_places(stored: StoredCase) -> list[int]:
    """Return the places of the held results of a case."""
    if stored.decision is None:
        return []
    return [result.entry for result in open_results(stored.record, stored.decision, "hold")]


def _hindrance(
    reader: Reader, seen: View, stored: StoredCase | None, version: int, like: str
) -> RefusedError | None:
    """Return why a specimen may not leave with the others, None when it may."""
    if stored is None or stored.decision is None:
        return RefusedError("There is no such specimen.")
    if stored.version != version:
        return RefusedError("It was changed meanwhile.")
    if why := alone(stored.record, stored.decision):
        return RefusedError(why)
    if like and _likeness(stored) != like:
        return RefusedError("It is not held for the same reasons as the others.")
    claim = reader.claim_of(stored.id, seen.claims_since)
    if claim and claim.person != seen.person:
        return RefusedError("%(who)s has claimed it.", who=claim.person)
    return None


def _likeness(stored: StoredCase) -> str:
    return likeness(stored.record, stored.decision) if stored.decision else ""
