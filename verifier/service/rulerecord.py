"""Who made, checked, approved and activated a version of the rules, for the validation file."""

from collections.abc import Iterator, Sequence
from datetime import datetime
from typing import NamedTuple

from verifier.assurance.validation import Further
from verifier.assurance.validation.evidence import NOT_PROVED, NOT_REPLAYED
from verifier.assurance.validation.proved import of_proofs
from verifier.assurance.validation.replayed import Kept, of_replay
from verifier.documents.document import Cell, Column, Pairs, Table
from verifier.service import ruleshelf
from verifier.service.replaying import from_store
from verifier.service.ruleguarantees import proofs_of
from verifier.service.rulestate import Course, carried, course, missing
from verifier.store.rulerows import ActivationRow, ApprovalRow, ReplayRow, VersionRow
from verifier.store.transaction import Reader

ASKED = "asked for a replay of rules"  # as the audit log says it


def approvals_of(reader: Reader, number: int, now: datetime) -> Further:
    """Return who answers for a version, as it is on record.

    Raises:
        RefusedError: there is no such version.
    """
    version = ruleshelf.known(reader, number)
    where = course(reader.rule_activations(), now)
    approvals = reader.rule_approvals(number)
    counting = ruleshelf.counted(reader, version, where)
    carrying = carried(version, approvals, where.record)
    spans = [span for span in _spans(where, now) if span.began.version == number]
    blocks = (
        Pairs(tuple(_facts(version))),
        _approvals(approvals, counting, carrying),
        _activations([row for row in where.record if row.version == number], spans),
    )
    if spans:
        return Further(_decided(number, spans[-1], carrying), blocks, look=False)
    lacks = missing(version, counting)
    standing = f"version {number} is not active; " + (lacks or "approved by two people")
    return Further(standing, blocks, look=bool(lacks))


class _Span(NamedTuple):
    """That a version decided: by which activation it began, and by which it ended."""

    began: ActivationRow
    ended: ActivationRow | None


def _spans(where: Course, now: datetime) -> list[_Span]:
    due = [row for row in where.record if row.withdrawn is None and row.at <= now]
    return [_Span(*pair) for pair in zip(due, [*due[1:], None], strict=True)]


def _decided(number: int, span: _Span, carrying: Sequence[ApprovalRow]) -> str:
    names = " and ".join(row.person for row in carrying)
    by = f"approved by {names}" if names else "it needed no approval, as the first of all"
    if span.ended is None:
        return f"version {number} is active since {_time(span.began.at)}; {by}"
    return f"version {number} was active, {by}; {_ending(span.ended)}"


def _ending(row: ActivationRow) -> str:
    if row.kind == "rollback":
        return f"rolled back to version {row.version} by {row.person}, {_time(row.at)}: {row.note}"
    return f"version {row.version} followed it, {_time(row.at)}"


def guarantees_of(reader: Reader, number: int) -> Further:
    """Return what the guarantees of a version came out as when it was checked.

    Raises:
        RefusedError: there is no such version.
    """
    found = proofs_of(reader, ruleshelf.known(reader, number))
    return NOT_PROVED if found is None else of_proofs(found)


def replay_of(reader: Reader, number: int, now: datetime) -> Further:
    """Return the replay that approvals of a version name, or that there is none.

    Of the active version it is the one against the version before it.

    Raises:
        RefusedError: there is no such version.
    """
    version = ruleshelf.known(reader, number)
    kept = ruleshelf.replay_of(reader, number, now)
    where = course(reader.rule_activations(), now)
    if where.active and where.active.version == number and where.before is not None:
        kept = reader.rule_replay(number, where.before)
    if kept is None or kept.hash != version.hash:
        return NOT_REPLAYED
    return of_replay(from_store(kept.result), _kept(reader, kept))


def _kept(reader: Reader, row: ReplayRow) -> Kept:
    """Return who made a replay: it is in the audit log, or who had asked for it on the page."""
    asked = ruleshelf.PROGRAM
    for entry in reader.audit_of(ruleshelf.subject(row.version)):
        if entry.what == ASKED:
            asked = entry.who
        elif entry.what == ruleshelf.REPLAYED and (entry.detail or {}).get("digest") == row.digest:
            by = asked if entry.who == ruleshelf.PROGRAM else entry.who
            return Kept(row.digest, by, row.at)
    return Kept(row.digest, asked, row.at)


def _approvals(
    rows: Sequence[ApprovalRow], counting: Sequence[ApprovalRow], carrying: Sequence[ApprovalRow]
) -> Table:
    said = tuple(
        (row.person, _time(row.at), _counts(row, counting, carrying),
         Cell(f"texts {row.hash[:16]}…\nreplay {row.replay[:16]}…", "code"), row.comment)
        for row in rows
    )  # fmt: skip
    columns = (Column("approved by", 2), Column("when", 2), Column("counts", 2),
               Column("saw", 3), Column("comment", 3))  # fmt: skip
    return Table(columns, said, "Approvals", "No approval is on record.")


def _counts(
    row: ApprovalRow, counting: Sequence[ApprovalRow], carrying: Sequence[ApprovalRow]
) -> str:
    if row in counting:
        return "yes"
    return "yes, its activation rests on it" if row in carrying else "no longer"


def _activations(rows: Sequence[ActivationRow], spans: Sequence[_Span]) -> Table:
    ended = {span.began.id: _ending(span.ended) for span in spans if span.ended}
    said = tuple(
        (row.kind, _time(row.at), row.person, _time(row.ordered), row.note,
         f"withdrawn by {row.withdrawn_by}, {_time(row.withdrawn)}"
         if row.withdrawn else ended.get(row.id, ""))
        for row in rows
    )  # fmt: skip
    columns = (Column("kind", 1.4), Column("decides from", 2), Column("ordered by", 1.6),
               Column("ordered", 2), Column("note", 3), Column("ended", 3))  # fmt: skip
    return Table(columns, said, "Activations", "No activation is on record.")


def _facts(version: VersionRow) -> Iterator[tuple[str, Cell | str]]:
    yield "version", str(version.id)
    yield "hash of its texts", Cell(version.hash, "code")
    yield "written by", ", ".join(version.authors) or version.author
    yield "made", f"{_time(version.created)}, changed {_time(version.changed)}"
    yield "based on", str(version.based_on) if version.based_on else "no other version"
    yield "note", version.note or "none"
    if version.checked is None:
        yield "checked", Cell("not checked", "bad")
    else:
        by = f"{version.checked_by}, {_time(version.checked)}, verifier {version.checked_with}"
        yield "checked", by


def _time(at: datetime | None) -> str:
    return f"{at:%Y-%m-%d %H:%M:%S %Z}" if at else ""
