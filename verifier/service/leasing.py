"""Keeps the right to send to each destination, where several nodes share one database."""

import asyncio
import logging
from collections.abc import Sequence

from verifier.errors import StoreError
from verifier.service.forwarder import Forwarder
from verifier.store.store import Store

log = logging.getLogger(__name__)

RENEW_EVERY = 1.0  # seconds


async def keep_leases(store: Store, forwarders: Sequence[Forwarder]) -> None:
    """Take, renew and pass on leases until cancelled; where nobody else forwards only wait.

    While the database is away nothing is passed on, so that the right to send ends by itself.
    """
    leases = store.leases
    if leases is None:
        await asyncio.Event().wait()
        return
    names = [forwarder.name for forwarder in forwarders]
    while True:
        try:
            held = await asyncio.to_thread(leases.renew, names)
        except StoreError as error:
            log.warning("%s", error)
        else:
            for forwarder in forwarders:
                forwarder.allow(held.get(forwarder.name, 0.0))
        await asyncio.sleep(RENEW_EVERY)
