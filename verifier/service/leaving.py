"""Which results leave because of a decision, an act or a withdrawal, and as what."""

from dataclasses import replace

from verifier.facts.case import CaseRecord, Entry
from verifier.facts.verdicts import Decision, ResultDecision
from verifier.hl7.changes import Change
from verifier.hl7.message import Message
from verifier.service.deeds import Deed, Said
from verifier.store.rows import StoredCase

NOT_VERIFIED = "R"  # HL7 table 0085: results entered, not verified


def leaving_now(
    stored: StoredCase | None,
    record: CaseRecord,
    decision: Decision,
    deed: Deed | None,
    arrival: tuple[int, Message] | None,
) -> dict[int, Change]:
    """What every destination is told: released, corrected, and withdrawn after it had left."""
    changes: dict[int, Change] = {}
    for result in decision.results:
        if result.outcome == "release" and result.entry >= 0:
            changes[result.entry] = _change(record.entries[result.entry], result)
    for status in ("", "C", "W"):
        changes |= _settled(stored, record, deed, status)
    withdrawn = withdrawn_now(record, arrival)
    changes |= {p: change for p, change in withdrawn.items() if record.entries[p].corrects}
    return _forwardable(record, changes)


def _settled(
    stored: StoredCase | None, record: CaseRecord, deed: Deed | None, status: str
) -> dict[int, Change]:
    """What a person settled with this status, with what the rules said of it before."""
    if deed is None:
        return {}
    before = {r.entry: r for r in stored.decision.results} if stored and stored.decision else {}
    return {
        place: _on_word(record.entries[place], before.get(place), said, deed.who)
        for place, said in deed.settled.items()
        if said.status == status
    }


def _on_word(entry: Entry, result: ResultDecision | None, said: Said, who: str) -> Change:
    if said.status in ("X", "W"):
        return Change(said.status, comments=said.comments, who=who)
    made = _change(entry, result)
    return replace(
        made,
        flag=said.flag or made.flag,
        comments=(*made.comments, *said.comments),
        words=said.words or made.words,
        value=said.value,
        who=who,
    )


def rejected_now(
    stored: StoredCase | None, record: CaseRecord, deed: Deed | None
) -> dict[int, Change]:
    """What a person just rejected: no result can be had (X)."""
    return _forwardable(record, _settled(stored, record, deed, "X"))


def withdrawn_now(record: CaseRecord, arrival: tuple[int, Message] | None) -> dict[int, Change]:
    """What the message just taken withdrew of what was known before."""
    found = {
        place: Change(entry.observation.status)
        for place, entry in enumerate(record.entries)
        if entry.state == "withdrawn"
        and entry.previous is not None
        and _just_arrived(entry, arrival)
    }
    return _forwardable(record, found)


def not_verified(
    record: CaseRecord, decision: Decision, arrival: tuple[int, Message] | None
) -> dict[int, Change]:
    """Held results a message just brought, for destinations that take them as not verified."""
    changes = {
        result.entry: Change(NOT_VERIFIED, result.flag or None, words=result.instead)
        for result in decision.results
        if result.outcome != "release"
        and result.entry >= 0
        and _just_arrived(record.entries[result.entry], arrival)
    }
    return _forwardable(record, changes)


def _forwardable(record: CaseRecord, changes: dict[int, Change]) -> dict[int, Change]:
    """Leave out indices taken from a SAC: there is no OBX to send for them."""
    return {p: c for p, c in changes.items() if not record.entries[p].observation.interference}


def _just_arrived(entry: Entry, arrival: tuple[int, Message] | None) -> bool:
    return arrival is not None and entry.message == arrival[0]


def _change(entry: Entry, result: ResultDecision | None) -> Change:
    comments = result.comments if result else ()
    flag = (result.flag or None) if result else None
    status = "C" if entry.corrects else "F"
    words = result.instead if result else ""
    return Change(status, flag, comments, words)
