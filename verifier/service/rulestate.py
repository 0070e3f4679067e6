"""Where versions stand, from what is on record: pure."""

from collections.abc import Sequence
from datetime import datetime
from typing import Literal

from msgspec import Struct

from verifier.store.rulerows import ActivationRow, ApprovalRow, VersionRow

APPROVALS_NEEDED = 2
State = Literal["draft", "checked", "approved", "ordered", "active", "was active"]


class Course(Struct, frozen=True):
    """Which version decides now, which will, and which did before.

    `before` is what a rollback returns to: the version that decided when the active one was
    activated. None where there is none. `record` are all activations, in the order they were
    ordered.
    """

    record: tuple[ActivationRow, ...] = ()
    active: ActivationRow | None = None
    pending: ActivationRow | None = None
    before: int | None = None


class Listed(Struct, frozen=True):
    """A version with where it stands and the approvals that count for it now.

    `carried` are those its last activation rests on; activating used them up.
    """

    version: VersionRow
    state: State
    approvals: tuple[ApprovalRow, ...] = ()
    carried: tuple[ApprovalRow, ...] = ()

    @property
    def approved_by(self) -> tuple[str, ...]:
        """Who approved it: now, or else before it was last activated."""
        return tuple(row.person for row in self.approvals or self.carried)


def course(activations: Sequence[ActivationRow], now: datetime) -> Course:
    """Return where things stand at an instant; `activations` are in the order they were ordered.

    A rollback takes the version it leaves off the pile, so that a second one goes further back.
    What was ordered has been, also when the clock was set back afterwards.
    """
    now = max(now, *(row.ordered for row in activations)) if activations else now
    standing = [row for row in activations if row.withdrawn is None]
    due = [row for row in standing if row.at <= now]
    pile: list[int] = []
    for row in due:
        if row.kind == "rollback" and row.version in pile:
            while pile[-1] != row.version:
                pile.pop()
        else:
            pile.append(row.version)
    return Course(
        record=tuple(activations),
        active=due[-1] if due else None,
        pending=next((row for row in standing if row.at > now), None),
        before=pile[-2] if len(pile) > 1 else None,
    )


def counting(
    version: VersionRow,
    approvals: Sequence[ApprovalRow],
    replay: str,
    where: Course,
) -> tuple[ApprovalRow, ...]:
    """Return the approvals that count: of these very texts and of this very replay.

    An activation uses them up: what was rolled back does not come back on old approvals.
    """
    used = [r.ordered for r in where.record if r.version == version.id and r.withdrawn is None]
    return tuple(
        row
        for row in approvals
        if row.hash == version.hash and row.replay == replay and (not used or row.at > max(used))
    )


def carried(
    version: VersionRow, approvals: Sequence[ApprovalRow], record: Sequence[ActivationRow]
) -> tuple[ApprovalRow, ...]:
    """Return the approvals that the last activation of a version rests on, () without one."""
    own = [row for row in record if row.version == version.id and row.withdrawn is None]
    orders = [row.ordered for row in own if row.kind == "activation"]
    if not orders:
        return ()
    before = [row.ordered for row in own if row.ordered < orders[-1]]
    fresh = [
        row
        for row in approvals
        if row.hash == version.hash
        and row.at <= orders[-1]
        and not (before and row.at <= max(before))
    ]
    return tuple(row for row in fresh if row.replay == fresh[-1].replay)


def missing(version: VersionRow, approvals: Sequence[ApprovalRow]) -> str:
    """Return what is missing until approvals suffice, empty when nothing is.

    Two different people must have approved, and one of them must not have written on it.
    """
    people = {row.person for row in approvals}
    if len(people) < APPROVALS_NEEDED:
        return f"{len(people)} of {APPROVALS_NEEDED} people approved it"
    if people <= set(version.authors):
        return "everyone who approved it also wrote on it; one more person must approve it"
    return ""


def state_of(
    version: VersionRow, where: Course, approvals: Sequence[ApprovalRow], now: datetime
) -> State:
    """Return how far a version has come; `approvals` are those that count."""
    if where.active and where.active.version == version.id:
        return "active"
    if where.pending and where.pending.version == version.id:
        return "ordered"
    if version.checked is None:
        return "draft"
    if not missing(version, approvals):
        return "approved"
    done = [row for row in where.record if row.withdrawn is None and row.at <= now]
    return "was active" if any(row.version == version.id for row in done) else "checked"
