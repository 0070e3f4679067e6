"""Approving a version of the rules: two people, each for the texts and the replay they saw."""

from datetime import datetime

from msgspec import Struct

from verifier.errors import RefusedError
from verifier.service.replaycover import said_of, short_of
from verifier.service.ruleguarantees import needed_proofs, summary
from verifier.service.ruleshelf import (
    APPROVES,
    RULES,
    counted,
    fit_version,
    may,
    needed_replay,
    subject,
)
from verifier.service.rulestate import course
from verifier.settings import REPLAY_DAYS
from verifier.store.rows import Person
from verifier.store.rulerows import ApprovalRow, ReplayRow, VersionRow
from verifier.store.transaction import Reader, Transaction


class Seen(Struct, frozen=True):
    """What a person had before them when they approved: hash of the texts, digest of the replay."""

    hash: str
    replay: str


def approvable(
    reader: Reader, number: int, now: datetime, least: int = REPLAY_DAYS
) -> tuple[VersionRow, ReplayRow]:
    """Return what a person must have seen to approve a version.

    `least` is how many days of history a replay must cover, or all of it.

    Raises:
        RefusedError: it is not checked or proved, breaks a guarantee, is active, or was not
            replayed against what is, or over too little history.
    """
    version = fit_version(reader, number)
    where = course(reader.rule_activations(), now)
    if where.active and where.active.version == number:
        raise RefusedError("Version %(number)s is active already.", number=number)
    replay = needed_replay(reader, version, where)
    if short := short_of(replay, least):
        raise RefusedError(short)
    return version, replay


def approve(
    tx: Transaction,
    who: Person,
    number: int,
    seen: Seen,
    comment: str = "",
    *,
    least: int = REPLAY_DAYS,
) -> tuple[ApprovalRow, ...]:
    """Approve what a person saw; return the approvals that count now.

    Raises:
        RefusedError: the role may not; the version is not checked; it or its replay is not what
            was seen; there is no replay against the active version, or it covers fewer days than
            `least` and not all history; the person approved already.
    """
    may(who, APPROVES, "approve rules")
    tx.claim(RULES)
    version, replay = approvable(tx, number, tx.now(), least)
    where = course(tx.rule_activations(), tx.now())
    if seen.hash != version.hash:
        raise RefusedError(
            "Version %(number)s is not what you saw: its hash is %(hash)s now, you saw "
            "%(hash_2)s. Look at it again.",
            number=number,
            hash=version.hash[:12],
            hash_2=seen.hash[:12],
        )
    if seen.replay != replay.digest:
        raise RefusedError(
            "The replay of version %(number)s is not the one you saw: its hash is "
            "%(digest)s now, you saw %(replay)s. Look at it again.",
            number=number,
            digest=replay.digest[:12],
            replay=seen.replay[:12],
        )
    if any(row.person == who.name for row in counted(tx, version, where)):
        raise RefusedError(
            "%(name)s has approved version %(number)s already; another person must.",
            name=who.name,
            number=number,
        )
    tx.add_rule_approval(number, who.name, seen.hash, seen.replay, comment)
    covered = said_of(replay.result)
    detail = {"hash": seen.hash, "replay": seen.replay, "covered": covered, "comment": comment}
    proved = summary(needed_proofs(tx, version))
    tx.audit(who.name, "approved rules", subject(number), {**detail, **proved})
    return counted(tx, version, where)
