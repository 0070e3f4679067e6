"""What happens by time alone: waits that are over, and signed checkpoints of the audit log."""

import asyncio
import logging
from collections.abc import Callable
from datetime import datetime
from functools import partial

from verifier.clock import Clock
from verifier.errors import StoreError
from verifier.service.failures import named
from verifier.service.judging import Judge
from verifier.store.store import Store
from verifier.store.transaction import Transaction

log = logging.getLogger(__name__)

TICK = 1.0  # seconds
CHECKPOINT_EVERY = 60  # ticks


async def run_timers(store: Store, judge: Callable[[], Judge], clock: Clock) -> None:
    """Tick until cancelled. A failure is logged and tried again at the next tick.

    `judge` gives what judges at that moment: rules may change while this runs.
    """
    ticks = 0
    while True:
        await asyncio.sleep(TICK)
        ticks += 1
        try:
            await end_waits(store, judge, clock)
            if ticks % CHECKPOINT_EVERY == 0:
                await asyncio.to_thread(store.checkpoint)
        except StoreError as error:
            log.error("timers: %s", error)


async def end_waits(store: Store, judge: Callable[[], Judge], clock: Clock) -> None:
    """Judge again every case whose wait is over; what is still missing is then unknown."""
    now = clock()
    due = await asyncio.to_thread(store.read, lambda reader: reader.waiting_due(now))
    for case_id in due:
        try:
            await asyncio.wrap_future(
                store.submit(partial(_end_wait, judge=judge, case_id=case_id, now=now))
            )
        except StoreError:
            raise
        except Exception as error:  # one case on which we fail must not stop the others
            log.error("timers: case %d could not be judged: %s", case_id, named(error))


def _end_wait(tx: Transaction, judge: Callable[[], Judge], case_id: int, now: datetime) -> None:
    judge().end_wait(tx, case_id, now)
