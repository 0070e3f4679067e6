"""Lets a running service judge by another version of the rules as soon as that is due.

What may be next is compiled ahead of time: the pending version, the one a rollback returns to, and
what is approved. So a version takes over within a fraction of a second of its time, also when
another process ordered it. It takes over between two messages: in the thread that writes, in a
transaction of its own. Cases judged before are judged anew when their next message comes, their
wait ends or a person acts on them; what has left is never called back.

A version that this program can not use is not used: the service goes on with the one it has, and
says so in the log, the audit log and on the page.
"""

import asyncio
import logging
from datetime import datetime
from functools import partial

from msgspec import Struct

from verifier.clock import Clock
from verifier.errors import RuleSetError, SettingsError, StoreError
from verifier.language import Program
from verifier.service.failures import named
from verifier.service.givingway import giving_way
from verifier.service.judging import Judge
from verifier.service.line import Line
from verifier.service.ruleshelf import PROGRAM, known, shelf, subject, texts
from verifier.service.ruletexts import compiled
from verifier.store.rulerows import ActivationRow, RuleTexts
from verifier.store.store import Store
from verifier.store.transaction import Reader, Transaction

log = logging.getLogger(__name__)

TICK = 0.2  # seconds between two looks
AFTER_DEFECT = 10.0  # seconds
AHEAD = 3  # versions kept compiled besides the one that decides


class _Look(Struct, frozen=True):
    active: ActivationRow | None
    stamp: tuple[int, ...]


class RuleWatch:
    """Watches the database for what decides. `line` is what is to judge by it."""

    def __init__(self, store: Store, line: Line, clock: Clock) -> None:
        self._store, self._line, self._clock = store, line, clock
        self._ready: dict[str, Program | None] = {}
        self._done = 0  # the activation that was last used or given up
        self._stamp: tuple[int, ...] = ()

    async def run(self) -> None:
        """Look until cancelled. A database that refuses is asked again at the next look."""
        while True:
            try:
                await self.look()
            except StoreError as error:
                log.error("rules: %s", error)
            except Exception as error:  # a defect of ours must not stop what works
                log.error("rules: the versions can not be watched: %s", named(error))
                await asyncio.sleep(AFTER_DEFECT)
            await asyncio.sleep(TICK)

    async def look(self) -> None:
        """Use what is due, or else compile what may be next."""
        now = self._clock()
        seen = await asyncio.to_thread(self._store.read, partial(_seen, now=now))
        if seen.active and seen.active.id > self._done:  # never back, whatever the clock says
            await self._turn(seen.active)
        elif seen.stamp != self._stamp and await asyncio.to_thread(self._prepare, now):
            self._stamp = seen.stamp

    async def _turn(self, due: ActivationRow) -> None:
        if due.version == self._line.judge.version:
            self._settle(due, "")
            return
        try:
            program = await asyncio.to_thread(self._compiled, due.version)
        except (RuleSetError, SettingsError) as error:
            await self._give_up(due, str(error))
            return
        except StoreError:
            raise
        except Exception as error:  # a defect of ours must not stop what works
            await self._give_up(due, f"it can not be compiled: {named(error)}")
            return
        left = self._line.judge
        work = partial(_take_over, line=self._line, program=program, due=due, before=left.version)
        try:
            if not await asyncio.wrap_future(self._store.submit(work)):
                return
        except StoreError:
            self._line.use(left.program, left.version)  # nothing took effect: it comes again
            raise
        self._settle(due, "")
        await asyncio.to_thread(self._keep, left)
        log.warning("rules: version %d decides now", due.version)

    async def _give_up(self, due: ActivationRow, why: str) -> None:
        kept = self._line.judge.version
        alarm = f"Version {due.version} of the rules can not be used; version {kept} goes on: {why}"
        self._settle(due, alarm)
        log.error("rules: %s", alarm)
        detail = {"because": why, "goes on": kept}
        await asyncio.wrap_future(
            self._store.submit(
                lambda tx: tx.audit(PROGRAM, "could not use rules", subject(due.version), detail)
            )
        )

    def _settle(self, due: ActivationRow, alarm: str) -> None:
        self._done, self._line.alarm = due.id, alarm
        self._stamp = ()  # what may be next is another now

    def _keep(self, left: Judge) -> None:
        """Keep the version that decided before at hand, for a rollback."""
        if left.version is not None:
            number = left.version
            version = self._store.read(lambda reader: known(reader, number))
            self._ready[version.hash] = left.program

    def _compiled(self, number: int) -> Program:
        """Return the program of a version. Raises RuleSetError or SettingsError."""
        written = self._store.read(lambda reader: texts(reader, number))
        return self._ready.get(written.hash) or self._compile(number, written)

    def _compile(self, number: int, written: RuleTexts) -> Program:
        remedy = "Roll back: verifier rollback"
        with giving_way():
            return compiled(written, self._line.settings, f"version {number} of the rules", remedy)

    def _prepare(self, now: datetime) -> bool:
        """Forget what may not be next and compile one version that may; True when none is left.

        One at a time, so that what falls due meanwhile does not wait for them all.
        """
        likely = self._store.read(partial(_next, now=now))
        self._ready = {
            written.hash: self._ready[written.hash]
            for _, written in likely
            if written.hash in self._ready
        }
        for number, written in likely:
            if written.hash not in self._ready:
                self._ready[written.hash] = self._tried(number, written)
                return False
        return True

    def _tried(self, number: int, written: RuleTexts) -> Program | None:
        """Return the program of a version; None, and told in the log, when it can not be used."""
        try:
            return self._compile(number, written)
        except (RuleSetError, SettingsError) as error:
            log.warning("rules: version %d can not be used: %s", number, error)
        except Exception as error:  # it is tried again, and an alarm, when it is due
            log.error("rules: version %d can not be compiled: %s", number, named(error))
        return None


def _seen(reader: Reader, now: datetime) -> _Look:
    return _Look(reader.rule_active(now), reader.rule_stamp())


def _next(reader: Reader, now: datetime) -> list[tuple[int, RuleTexts]]:
    """Return the versions that may decide next with their texts, the likeliest first."""
    stands = shelf(reader, now)
    numbers = [stands.course.pending.version] if stands.course.pending else []
    numbers += [stands.course.before] if stands.course.before is not None else []
    numbers += [each.version.id for each in stands.versions if each.state == "approved"]
    return [(number, texts(reader, number)) for number in dict.fromkeys(numbers)][:AHEAD]


def _take_over(
    tx: Transaction, line: Line, program: Program, due: ActivationRow, before: int | None
) -> bool:
    """Judge by a version from here on; False when another became due while it was compiled."""
    newest = tx.rule_active(tx.now())
    if newest is None or newest.id != due.id:
        return False
    version = known(tx, due.version)
    detail = {"hash": version.hash, "rule set": program.identity, "version before": before}
    tx.audit(PROGRAM, "rules took effect", subject(version.id), detail)
    line.use(program, version.id)
    return True
