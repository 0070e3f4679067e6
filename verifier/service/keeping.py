"""Patient data is removed after its time, in small steps that hold nothing up."""

import asyncio
import logging
from collections.abc import Iterator
from datetime import datetime, timedelta
from functools import partial

from verifier.clock import Clock
from verifier.errors import StoreError
from verifier.store.retention import Removed
from verifier.store.store import Store
from verifier.store.transaction import Reader, Transaction

log = logging.getLogger(__name__)

EVERY = 3600.0  # seconds between two looks
STEP = 100  # cases or messages of one transaction
DETAILS = 2000


def count_old(store: Store, before: datetime) -> Removed:
    """Return what `remove_old` would remove."""

    def counted(kind: str, after: int = 0) -> Iterator[int]:
        while page := store.read(partial(_page, kind, before, after)):
            yield len(page)
            after = page[-1]

    spans = store.read(lambda r: r.old_details(before))
    details = sum(stop - start for _, start, stop in spans)
    return Removed(sum(counted("old_cases")), sum(counted("old_messages")), details)


def _page(kind: str, before: datetime, after: int, reader: Reader) -> list[int]:
    find = reader.old_cases if kind == "old_cases" else reader.old_messages
    return find(before, 10 * STEP, after)


def remove_old(store: Store, before: datetime, who: str) -> Iterator[Removed]:
    """Remove what is older than `before`, and yield after each step how much that step removed.

    The removal is in the audit log before anything of it is done.
    """
    found = count_old(store, before)
    if not found:
        return
    detail = {
        "before": before.isoformat(),
        "cases": found.cases,
        "messages": found.messages,
        "details": found.details,
    }
    store.write(
        lambda tx: tx.audit(who, "removed patient data after its time", "retention", detail)
    )
    yield from _steps(store, before)


def _steps(store: Store, before: datetime) -> Iterator[Removed]:
    def cases(tx: Transaction) -> Removed:
        tx.claim_house()
        tx.forget_merges(before)
        return Removed(cases=tx.remove_cases(tx.old_cases(before, STEP)))

    def messages(tx: Transaction) -> Removed:
        tx.claim("retention")
        return Removed(messages=tx.empty_messages(tx.old_messages(before, STEP)))

    def details(tx: Transaction) -> Removed:
        tx.claim("retention")
        spans = tx.old_details(before)
        if not spans:
            return Removed()
        log, start, stop = spans[0]
        return Removed(details=tx.clear_details(log, start, min(stop, start + DETAILS)))

    for step in (cases, messages, details):
        while removed := store.write(step):
            yield removed


async def keep_removing(store: Store, days: int, clock: Clock) -> None:
    """Remove what is older than so many days, now and every hour, until cancelled."""
    while True:
        before = clock() - timedelta(days=days)
        try:
            await asyncio.to_thread(_remove_all, store, before)
        except StoreError as error:
            log.error("retention: %s", error)
        await asyncio.sleep(EVERY)


def _remove_all(store: Store, before: datetime) -> None:
    for removed in remove_old(store, before, "verifier"):
        log.info("retention: removed %s", removed)
