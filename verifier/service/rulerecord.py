"""Who made, checked, approved and activated a version of the rules, for the validation file."""

from collections.abc import Iterator, Sequence
from datetime import datetime

from verifier.assurance.validation import Further
from verifier.assurance.validation.evidence import NOT_REPLAYED
from verifier.assurance.validation.replayed import of_replay
from verifier.documents.document import Block, Cell, Column, Pairs, Table
from verifier.service import ruleshelf
from verifier.service.replaying import from_store
from verifier.service.rulestate import course, missing
from verifier.store.rulerows import ActivationRow, ApprovalRow, VersionRow
from verifier.store.transaction import Reader


def approvals_of(reader: Reader, number: int, now: datetime) -> Further:
    """Return who answers for a version, as it is on record.

    Raises:
        RefusedError: there is no such version.
    """
    version = ruleshelf.known(reader, number)
    where = course(reader.rule_activations(), now)
    counting = ruleshelf.counted(reader, version, where)
    active = where.active is not None and where.active.version == number
    lacks = missing(version, counting)
    if active:
        standing = f"version {number} is active"
    else:
        standing = f"version {number} is not active; " + (lacks or "approved by two people")
    # What is active used its approvals up; the record below shows them.
    blocks = tuple(_blocks(reader, version, counting))
    return Further(standing, blocks, look=bool(lacks) and not active)


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
    return of_replay(from_store(kept.result), kept.digest)


def _blocks(
    reader: Reader, version: VersionRow, counting: tuple[ApprovalRow, ...]
) -> Iterator[Block]:
    yield Pairs(tuple(_facts(version)))
    yield _approvals(reader.rule_approvals(version.id), counting)
    yield _activations([row for row in reader.rule_activations() if row.version == version.id])


def _approvals(rows: Sequence[ApprovalRow], counting: Sequence[ApprovalRow]) -> Table:
    said = tuple(
        (row.person, _time(row.at), "yes" if row in counting else "no, or used up by activation",
         Cell(f"texts {row.hash[:16]}…\nreplay {row.replay[:16]}…", "code"), row.comment)
        for row in rows
    )  # fmt: skip
    columns = (Column("approved by", 2), Column("when", 2), Column("counts now", 2),
               Column("saw", 3), Column("comment", 3))  # fmt: skip
    return Table(columns, said, "Approvals", "No approval is on record.")


def _activations(rows: Sequence[ActivationRow]) -> Table:
    said = tuple(
        (row.kind, _time(row.at), row.person, _time(row.ordered), row.note,
         f"{row.withdrawn_by}, {_time(row.withdrawn)}" if row.withdrawn else "")
        for row in rows
    )  # fmt: skip
    columns = (Column("kind", 1.4), Column("decides from", 2), Column("ordered by", 1.6),
               Column("ordered", 2), Column("note", 3), Column("withdrawn", 2))  # fmt: skip
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
