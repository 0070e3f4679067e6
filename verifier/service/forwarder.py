"""One task per destination: the outbox in strict order, each message until it is answered."""

import asyncio
import contextlib
import logging
import math
from collections.abc import Callable
from datetime import timedelta

from verifier.clock import Clock, running
from verifier.errors import PeerError, StoreError
from verifier.hl7.acknowledge import Answer
from verifier.service.client import MllpClient
from verifier.service.failures import named
from verifier.service.tls import client_context
from verifier.settings import Destination
from verifier.store.rows import OutgoingRow
from verifier.store.store import Store
from verifier.store.transaction import Transaction

log = logging.getLogger(__name__)

TAKEN = {"AA", "CA"}
REFUSED = {"AE", "AR", "CE", "CR"}
LOOK_AGAIN = 1.0  # seconds; another process may have added to the outbox, the disk may be back


class Forwarder:
    """Sends what waits for one destination.

    A message leaves again, with the same control id, until the receiver answers it. One the
    receiver refuses is set aside and shown; the next one goes on.
    """

    def __init__(self, name: str, destination: Destination, store: Store, clock: Clock) -> None:
        self.name = name
        self._destination = destination
        self._store = store
        self._clock = clock
        self._bell = asyncio.Event()
        self._stopping = False
        self._put_off = 0, 0.0  # the message that failed, and when it goes again (`clock.running`)
        self._until = math.inf  # when the right to send ends (`clock.running`)
        tls = destination.tls
        self._client = MllpClient(
            destination.host,
            destination.port,
            connect_seconds=destination.connect_seconds,
            answer_seconds=destination.answer_seconds,
            tls=client_context(f"destinations.{name}.tls", tls) if tls else None,
            server_name=tls.server_name if tls else "",
        )

    def ring(self) -> None:
        """Say that something may be waiting (called in the event loop)."""
        self._bell.set()

    def allow(self, until: float) -> None:
        """Say until when this node may send (called in the event loop); `clock.running` seconds."""
        if until > self._until:
            self._bell.set()
        self._until = until

    def may_send(self) -> bool:
        """Return whether this node may send now."""
        return running() < self._until

    def stop(self) -> None:
        """Ask `run` to end once the message in flight is answered (called in the event loop)."""
        self._stopping = True
        self._bell.set()

    async def run(self) -> None:
        """Forward until `stop`. When cancelled, what became of the last message is still stored."""
        try:
            while not self._stopping:
                self._bell.clear()
                pause = await self._once()
                if pause and not self._stopping:
                    await self._wait(pause)
        finally:
            await self._client.close()

    async def _once(self) -> float:
        """Send the next message if it is time; return how many seconds to wait, 0 for none."""
        if not self.may_send():
            await self._client.close()  # whoever may send now connects by itself
            return LOOK_AGAIN
        try:
            row = await asyncio.to_thread(
                self._store.read, lambda reader: reader.next_outgoing(self.name, self._clock())
            )
            if row is None:
                return LOOK_AGAIN
            if (left := self._seconds_before(row)) > 0:
                return left
            if await self._is_let_go(row):
                await self._deliver(row)
        except StoreError as error:
            log.error("%s: %s", self.name, error)
            return LOOK_AGAIN
        return 0

    def _seconds_before(self, row: OutgoingRow) -> float:
        """Return how long a message must wait. Only of one that another process put off is the
        time of day asked, and not believed beyond the pause: the clock may have been set back."""
        if row.not_before is None:
            return 0.0
        number, due = self._put_off
        if number != row.id:
            left = (row.not_before - self._clock()).total_seconds()
            due = running() + min(left, self._pause(row.attempts))
            self._put_off = row.id, due
        return due - running()

    def _pause(self, attempts: int) -> float:
        longer = self._destination.retry_seconds * 2.0 ** min(attempts, 30)
        return min(longer, self._destination.retry_most_seconds)

    async def _is_let_go(self, row: OutgoingRow) -> bool:
        """Whether it may leave: what a person may take back is let go by a write of its own."""
        if row.attempts or row.not_before is None:
            return True
        return bool(await self._write(lambda tx: tx.let_go(row.id)))

    async def _deliver(self, row: OutgoingRow) -> None:
        try:
            answer = await self._client.send(row.payload, row.control_id, self.may_send)
        except PeerError as error:
            await self._postpone(row, str(error))
            return
        except Exception as error:  # a defect met here must not stop the other destinations
            await self._postpone(row, f"failed on the answer: {named(error)}")
            return
        if answer.code in TAKEN:
            await self._write(lambda tx: tx.mark_sent(row.id, answer.code))
        elif answer.code in REFUSED:
            await self._set_aside(row, answer)
        else:
            await self._postpone(row, "an answer without a known code in MSA-1")

    async def _set_aside(self, row: OutgoingRow, answer: Answer) -> None:
        log.warning("%s refused %s with %s", self.name, row.control_id, answer.code)
        said = f"{answer.code} {answer.text}".strip()

        def work(tx: Transaction) -> None:
            if not tx.mark_rejected(row.id, said):
                return  # another node has had an answer to it
            tx.audit(
                "verifier",
                "was refused by the destination",
                f"case:{row.case_id}",
                {"destination": self.name, "control id": row.control_id, "answer": said},
            )

        await self._write(work)

    async def _postpone(self, row: OutgoingRow, why: str) -> None:
        if not self.may_send():
            log.info("%s: %s is another node's now", self.name, row.control_id)
            return
        pause = self._pause(row.attempts)
        self._put_off = row.id, running() + pause
        log.warning("%s: %s; %s goes again in %g s", self.name, why, row.control_id, pause)
        until = self._clock() + timedelta(seconds=pause)
        await self._write(lambda tx: tx.postpone(row.id, until, why))

    async def _write(self, work: Callable[[Transaction], object]) -> object:
        """Store what became of a message; until that is done it is not sent again."""
        while True:
            try:
                # Shielded: stopping must not undo the record of an answer that came.
                return await asyncio.shield(asyncio.wrap_future(self._store.submit(work)))
            except StoreError as error:
                log.error("%s: %s", self.name, error)
                await asyncio.sleep(LOOK_AGAIN)

    async def _wait(self, seconds: float) -> None:
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                await self._bell.wait()
