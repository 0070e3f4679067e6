"""What every act on results shares: who may, on what they saw, in which words, on record."""

from collections.abc import Collection

import msgspec
from msgspec import Struct

from verifier.errors import RefusedError
from verifier.facts.case import CaseRecord, State
from verifier.service.deeds import Deed
from verifier.service.judging import Judge
from verifier.store.rows import Person, StoredCase
from verifier.store.transaction import Transaction

CRITICAL = frozenset({"HH", "LL", "AA"})  # HL7 table 0078
SETTLES = {"technologist", "pathologist"}  # an administrator keeps rules and people, not results


class Words(Struct, frozen=True):
    """What a person says with an act: comments by code, and why a rule is overridden.

    `reason` is a code of the settings, `why` free words; either will do. `signed` says that the
    password was given again for this act.
    """

    comments: tuple[str, ...] = ()
    reason: str = ""
    why: str = ""
    signed: bool = True


NO_WORDS = Words()


def may_settle(who: Person) -> None:
    """Refuse whoever may not settle results."""
    if who.role not in SETTLES:
        raise RefusedError(
            "Results are settled by a technologist or a pathologist; an administrator may not."
        )


def seen_case(tx: Transaction, case_id: int, expected: int | None) -> StoredCase:
    """Return a case for this transaction alone, as the person saw it.

    Raises:
        RefusedError: there is none, or it has changed meanwhile.
    """
    stored = tx.claim_case(case_id)
    if stored is None:
        raise RefusedError("There is no such specimen.")
    if expected is not None and stored.version != expected:
        raise RefusedError("This specimen was changed meanwhile. Look at it again before you act.")
    return stored


def open_case(
    tx: Transaction, who: Person, case_id: int, entries: Collection[int], expected: int | None
) -> StoredCase:
    """Return a case of which these results are open. Raises RefusedError."""
    may_settle(who)
    stored = seen_case(tx, case_id, expected)
    if not entries:
        raise RefusedError("Choose at least one result.")
    known = stored.record.entries
    if any(not 0 <= place < len(known) or known[place].state != "open" for place in entries):
        raise RefusedError("A result was settled meanwhile. Look at the specimen again.")
    return stored


def serious(stored: StoredCase, entries: Collection[int]) -> list[int]:
    """Return the places of critical results: flagged so, or the rules want somebody called."""
    decision = stored.decision
    if decision is None:
        return []
    called = {test for asked in decision.requests if asked.what == "call" for test in asked.tests}
    return [
        result.entry
        for result in decision.results
        if result.entry in entries and (result.flag in CRITICAL or result.test in called)
    ]


def settle(record: CaseRecord, entries: Collection[int], state: State, name: str) -> CaseRecord:
    """Return the record with these results in another state."""
    return msgspec.structs.replace(
        record,
        entries=tuple(
            msgspec.structs.replace(entry, state=state, settled_by=name)
            if place in entries
            else entry
            for place, entry in enumerate(record.entries)
        ),
    )


def texts(judge: Judge, words: Words, comment: str) -> tuple[str, ...]:
    """Return the comments that leave, those of the codes first. Raises RefusedError."""
    known = {coded.code: coded.text for coded in judge.settings.comments}
    if unknown := [code for code in words.comments if code not in known]:
        raise RefusedError("There is no comment with the code %(unknown)s.", unknown=unknown[0])
    free = comment.strip()
    return (*(known[code] for code in dict.fromkeys(words.comments)), *([free] if free else []))


def held_by(stored: StoredCase, entries: Collection[int]) -> tuple[str, ...]:
    """Return the rules that hold any of these results by what they say, not for want of facts."""
    decided = stored.decision.results if stored.decision else ()
    kinds = ("hold", "suppress")
    found = (
        why.rule for r in decided if r.entry in entries for why in r.reasons if why.kind in kinds
    )
    return tuple(sorted(set(found)))


def open_entries(record: CaseRecord) -> list[int]:
    """Return the places of the results of a case that nobody has settled."""
    return [place for place, entry in enumerate(record.entries) if entry.state == "open"]


def sign(
    tx: Transaction,
    who: Person,
    what: str,
    stored: StoredCase,
    deed: Deed,
    out_of_control: Collection[str] = (),
) -> None:
    """Put an act on record: who, in which role, on which results, with which words."""
    done = deed.done
    detail = {
        "role": who.role,
        "results": list(done.codes),
        "places": list(done.places),
        "comment": "; ".join(done.comments),
        "version seen": stored.version,
    }
    if done.rules and (done.reason or done.why):
        detail["overrides"] = list(done.rules)
        detail["reason"] = " ".join(filter(None, (done.reason, done.why)))
    if done.before or done.after:
        detail |= {"before": done.before, "after": done.after}
    if out_of_control:
        detail["out of control"] = list(out_of_control)
    tx.audit(who.name, what, f"case:{stored.id}", detail)
