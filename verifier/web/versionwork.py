"""What a page starts and does not wait for: scenarios, proofs and replay of a version."""

import os
from datetime import timedelta
from functools import partial

from verifier.assurance.replaying import Replay, Stretch
from verifier.errors import RuleSetError
from verifier.service import candidates, ruleshelf
from verifier.service.replaying import run_replay, to_store
from verifier.service.rulechecks import check_version
from verifier.service.ruleguarantees import proofs_of
from verifier.service.ruleproofs import prove_version
from verifier.service.rulerecord import ASKED
from verifier.service.scenarioruns import run_scenarios
from verifier.store.transaction import Reader, Transaction
from verifier.texts import mark
from verifier.web.chores import Tell
from verifier.web.desk import Desk

SCENARIOS, PROOFS, REPLAY = "scenarios", "proofs", "replay"


def start_scenarios(desk: Desk, number: int) -> None:
    """Run the scenarios of a version as it is now, in the background."""
    written = desk.store.read(lambda reader: ruleshelf.texts(reader, number))
    desk.chores.start(SCENARIOS, number, partial(run_scenarios, written, desk.settings.units))


def start_proofs(desk: Desk, who: str, number: int) -> None:
    """Prove the guarantees of a version in the background, unless that is done."""
    desk.chores.start(PROOFS, number, partial(_prove, desk, who, number))


def send(desk: Desk, who: str, number: int) -> None:
    """Check a version; where its guarantees are not proved yet, both in the background.

    Raises:
        RuleSetError: it has errors, or a scenario fails. RefusedError: as `check_version`.
    """
    if desk.store.read(lambda reader: proofs_of(reader, ruleshelf.known(reader, number))):
        _send(desk, who, number, lambda done, of: None)
    else:
        desk.chores.start(PROOFS, number, partial(_send, desk, who, number))


def _prove(desk: Desk, who: str, number: int, tell: Tell) -> None:
    prove_version(desk.store, desk.settings, who, number, tell, apart=True)


def _send(desk: Desk, who: str, number: int, tell: Tell) -> None:
    if check_version(desk.store, desk.settings, who, number, tell, apart=True).program is None:
        raise RuleSetError(mark("It has errors or a scenario fails, so nobody can approve it yet."))


def start_replay(desk: Desk, who: str, number: int, days: int) -> None:
    """Judge the last days again with a version and keep what differs, in the background.

    0 days are all of history. Who asked for it is put on record.
    """
    detail = {"days": days} if days else {}

    def note(tx: Transaction) -> None:
        about = ruleshelf.subject(ruleshelf.known(tx, number).id)
        tx.audit(who, ASKED, about, detail)

    desk.store.write(note)
    desk.chores.start(REPLAY, number, partial(_replay, desk, who, number, days))


def _replay(desk: Desk, who: str, number: int, days: int, tell: Tell) -> Replay:
    def pair(reader: Reader) -> tuple[candidates.Candidate, candidates.Candidate]:
        candidate = candidates.of_version(reader, number, desk.settings)
        return candidate, candidates.active(reader, desk.settings)

    candidate, against = desk.store.read(pair)
    since = desk.clock() - timedelta(days=days) if days else None
    spared = max(1, (os.cpu_count() or 1) - 1)  # a core is left to the line
    found = run_replay(
        desk.settings,
        candidate,
        against,
        Stretch(since=since),
        jobs=spared,
        apart=True,
        progress=tell,
    )
    version = against.version
    if version is None:
        raise RuleSetError(mark("No version is active, so there is nothing to replay against."))
    kept, seen = to_store(found), candidate.texts.hash
    desk.store.write(
        lambda tx: ruleshelf.store_replay(tx, number, version, kept, seen=seen, who=who)
    )
    return found
