"""What a page starts and does not wait for: the scenarios of a version, and its replay."""

import os
from datetime import timedelta
from functools import partial

from msgspec import Struct

from verifier.assurance.failing import findings_of
from verifier.assurance.replaying import Replay, Stretch
from verifier.assurance.running import run_scenario
from verifier.errors import RuleSetError
from verifier.language import Diagnostic
from verifier.rulefiles import without_marks
from verifier.service import candidates, ruleshelf
from verifier.service.replaying import run_replay, to_store
from verifier.store.rulerows import RuleTexts
from verifier.store.transaction import Reader, Transaction
from verifier.texts import mark
from verifier.web.chores import Tell
from verifier.web.desk import Desk

SCENARIOS, REPLAY = "scenarios", "replay"


class Tested(Struct, frozen=True):
    """What the scenarios of some texts showed: how many there are, and each that fails."""

    hash: str
    scenarios: int
    failing: tuple[Diagnostic, ...]


def start_scenarios(desk: Desk, number: int) -> None:
    """Run the scenarios of a version as it is now, in the background."""
    written = desk.store.read(lambda reader: ruleshelf.texts(reader, number))
    desk.chores.start(SCENARIOS, number, partial(_scenarios, desk, number, written))


def _scenarios(desk: Desk, number: int, written: RuleTexts, tell: Tell) -> Tested:
    program = desk.live.check(number, written).program
    if program is None:
        raise RuleSetError(mark("It has errors; mend them first."))
    runs = []
    for item in program.scenarios:
        runs.append(run_scenario(program, item))
        tell(len(runs), len(program.scenarios))
    failing = findings_of(runs, without_marks(written.files))
    return Tested(written.hash, len(runs), failing)


def start_replay(desk: Desk, who: str, number: int, days: int) -> None:
    """Judge the last days again with a version and keep what differs, in the background.

    0 days are all of history. Who asked for it is put on record.
    """
    detail = {"days": days} if days else {}

    def note(tx: Transaction) -> None:
        about = ruleshelf.subject(ruleshelf.known(tx, number).id)
        tx.audit(who, "asked for a replay of rules", about, detail)

    desk.store.write(note)
    desk.chores.start(REPLAY, number, partial(_replay, desk, number, days))


def _replay(desk: Desk, number: int, days: int, tell: Tell) -> Replay:
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
    desk.store.write(lambda tx: ruleshelf.store_replay(tx, number, version, kept, seen=seen))
    return found
