"""What a replay over stored history found, as a part of the validation file."""

from collections.abc import Iterator
from datetime import datetime

from msgspec import Struct

from verifier.assurance.replay_report import shown_stretch, side_text
from verifier.assurance.replaying import CHANGES, FATES, MEANINGS, Change, ChangeKind, Replay
from verifier.assurance.validation.evidence import Further, counted, several
from verifier.documents.document import Block, Cell, Column, Pairs, Paragraph, Points, Table

_WORST: tuple[ChangeKind, ...] = ("newly released", "critical lost", "less asked")
_MOST = 100  # changed results that are listed


class Kept(Struct, frozen=True):
    """That a replay was kept beside a version: by whom, when, and what approvals name of it."""

    digest: str
    by: str
    at: datetime


def of_replay(replay: Replay, kept: Kept | None = None) -> Further:
    """Return the replay as evidence."""
    counts = replay.counts
    worst = {kind: counts.of_kind(kind) for kind in _WORST}
    standing = (
        f"{several(counts.changed, 'result')} of {counts.results} judged otherwise, "
        + ", ".join(f"{number} {kind}" for kind, number in worst.items())
    )
    if counts.without_facts:
        standing += f"; {several(counts.without_facts, 'decision')} could not be judged again"
    if not counts.decisions:
        standing = "there was no stored history to replay"
        if not (replay.covered and replay.covered.whole):
            standing = f"nothing was decided {shown_stretch(replay, kept.at if kept else None)}"
    look = bool(
        any(worst.values()) or counts.failures or counts.without_facts or not counts.decisions
    )
    return Further(standing, tuple(_blocks(replay, kept)), look)


def _blocks(replay: Replay, kept: Kept | None) -> Iterator[Block]:
    counts = replay.counts
    before = counted(counts.released_before, counts.results)
    yield Pairs(
        (
            ("candidate", f"{replay.candidate}, rule set {replay.candidate_identity}"),
            ("against", f"{replay.against} {replay.against_identity}".rstrip()),
            ("replayed by", f"{kept.by}, {_time(kept.at)}" if kept else "not kept"),
            ("history", shown_stretch(replay, kept.at if kept else None)),
            ("covered", replay.covered.words() if replay.covered else "not counted"),
            ("judged", f"{several(counts.specimens, 'specimen')}, {counts.decisions} decisions"),
            ("left before", before),
            ("leave with it", counted(counts.released_after, counts.results)),
            ("hash of the replay", Cell(kept.digest, "code") if kept else "not kept"),
        )
    )
    rows = tuple(
        (kind, MEANINGS[kind], str(counts.of_kind(kind)))
        for kind in CHANGES
        if counts.of_kind(kind)
    )
    columns = (Column("change", 2), Column("meaning", 5), Column("results", right=True))
    yield Table(columns, rows, "What changes", "Nothing changes.")
    yield _tests(replay)
    if counts.failures:
        yield Points(tuple(Cell(text, "bad") for text in sorted(counts.failures)))
    if replay.changes:
        yield Paragraph(
            "A specimen is named by the number of its case (/case/NUMBER on the page of the "
            "service), since this file leaves the laboratory."
        )
        yield _changes(replay)
    left = replay.left_out + max(0, len(replay.changes) - _MOST)
    if left:
        yield Paragraph(f"{several(left, 'further change')} not listed.", "bad")
    if replay.cautions:
        yield Points(replay.cautions)


def _tests(replay: Replay) -> Table:
    changed = ((name, test) for name, test in replay.counts.tests.items() if test.changes)
    rows = tuple(
        (
            test.title or name,
            str(test.results),
            str(test.released_before),
            str(test.released_after),
            ", ".join(f"{test.changes[kind]} {kind}" for kind in CHANGES if kind in test.changes),
        )
        for name, test in sorted(changed)
    )
    columns = (Column("test", 3), Column("results", right=True), Column("left before", right=True),
               Column("leave", right=True), Column("changes", 4))  # fmt: skip
    return Table(columns, rows, "By test", "No test changes.")


def _changes(replay: Replay) -> Table:
    rows = tuple(_change(change) for change in replay.changes[:_MOST])
    columns = (Column("change", 1.4), Column("result", 2.4), Column("became of it", 2),
               Column("before", 3), Column("with the candidate", 3))  # fmt: skip
    return Table(columns, rows, "Changed results, worst first")


def _change(change: Change) -> tuple[Cell | str, ...]:
    """Return a change without what names a patient or specimen: the file leaves the laboratory."""
    return (
        Cell(change.kind, "bad" if change.kind in _WORST else ""),
        f"{change.title} {change.value} {change.unit}".strip()
        + f"\ncase {change.case_id}\n{_time(change.decided)}",
        FATES[change.fate],
        side_text(change.before),
        side_text(change.after),
    )


def _time(at: datetime) -> str:
    return f"{at:%Y-%m-%d %H:%M %Z}"
