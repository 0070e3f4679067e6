"""An MLLP listener: frames in, each through the line, the acknowledgement after the commit."""

import asyncio
import logging
import socket
from concurrent.futures import Future
from datetime import datetime

from verifier.clock import Clock, running
from verifier.errors import StoreError
from verifier.hl7.batches import Batch, is_batch, split
from verifier.hl7.framing import Fault, Frame, Framer, wrap
from verifier.service.failures import named
from verifier.service.line import Answer, Line
from verifier.service.pace import Pace
from verifier.service.status import Door
from verifier.service.tls import names_shown, server_context
from verifier.settings import Connection
from verifier.store.store import Store
from verifier.transport import admits

log = logging.getLogger(__name__)

CHUNK = 65536
KEPT_FAULTS = 20  # per connection: a peer that sends only noise must not fill the disk
STOP_SECONDS = 10.0
HANDSHAKE_SECONDS = 10.0

Item = Frame | Fault | Batch


class Listener:
    """Listens for one configured connection. Answers go out in the order messages came in."""

    def __init__(
        self,
        name: str,
        connection: Connection,
        line: Line,
        store: Store,
        clock: Clock,
        door: Door | None = None,
    ) -> None:
        self.name = name
        self._door = door or Door()
        self._settings = connection
        self._line = line
        self._store = store
        self._clock = clock
        self._server: asyncio.Server | None = None
        self._tasks: set[asyncio.Task[None]] = set()
        self._stopping = asyncio.Event()

    async def start(self) -> int:
        """Begin to listen; return the port.

        Raises:
            OSError: the port is taken. SettingsError: the TLS files can not be used.
        """
        tls = self._settings.tls
        context = server_context(f"connections.{self.name}.tls", tls) if tls else None
        self._server = await asyncio.start_server(
            self._serve,
            self._settings.host,
            self._settings.port,
            limit=CHUNK,
            ssl=context,
            ssl_handshake_timeout=HANDSHAKE_SECONDS if context else None,
        )
        self._door.listening = True
        return int(self._server.sockets[0].getsockname()[1])

    async def stop(self) -> None:
        """Take no new bytes, answer what was taken, close the connections."""
        if self._server is not None:
            self._server.close()
        self._door.listening = False
        self._stopping.set()
        if self._tasks:
            await asyncio.wait(self._tasks, timeout=STOP_SECONDS)
        for task in self._tasks:
            task.cancel()

    async def _serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        task = asyncio.current_task()
        assert task is not None, "called by asyncio as a task"
        if refusal := self._refusal(writer):
            log.warning("%s: connection refused: %s", self.name, refusal)
            self._door.refused += 1
            writer.close()
            return
        self._tasks.add(task)
        self._door.open = len(self._tasks)
        _keep_alive(writer)
        try:
            await self._converse(reader, writer)
        except (OSError, TimeoutError) as error:
            log.info("%s: connection ended: %s", self.name, error or "idle")
        except Exception as error:  # a defect met here must not stop the other connections
            log.error("%s: connection closed on a failure: %s", self.name, named(error))
        finally:
            self._tasks.discard(task)
            self._door.open = len(self._tasks)
            _close(writer)

    def _refusal(self, writer: asyncio.StreamWriter) -> str:
        """Return why this caller may not come in, empty when it may."""
        if len(self._tasks) >= self._settings.max_connections:
            return f"{len(self._tasks)} are open already"
        peer = writer.get_extra_info("peername")
        address = str(peer[0]) if peer else ""
        if not admits(self._settings.allow, address):
            return f"{address} is not among the allowed addresses"
        tls = self._settings.tls
        if tls and tls.names:
            shown = names_shown(writer.get_extra_info("peercert"))
            if not shown & set(tls.names):
                return f"{address} shows a certificate for {', '.join(sorted(shown)) or 'nobody'}"
        return ""

    async def _converse(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        framer = Framer(self._settings.max_message_bytes)
        pace = Pace(self._settings.most_per_second)
        faults = 0
        while data := await self._read(reader):
            found = [_opened(item) for item in framer.feed(data)]
            await pace.keep(sum(map(_size, found)))
            faults += sum(isinstance(item, Fault) for item in found)
            await self._take_all(found, writer, keep=faults <= KEPT_FAULTS)
            if any(isinstance(item, Fault) and item.kind == "too long" for item in found):
                return  # where the next block begins can not be known
        await self._take_all(list(framer.end()), writer, keep=True)

    async def _read(self, reader: asyncio.StreamReader) -> bytes:
        """Return the next bytes; none when the peer is gone, was idle too long, or we stop."""
        reading = asyncio.ensure_future(reader.read(CHUNK))
        stopping = asyncio.ensure_future(self._stopping.wait())
        try:
            await asyncio.wait(
                {reading, stopping},
                timeout=self._settings.idle_seconds,
                return_when=asyncio.FIRST_COMPLETED,
            )
            if not reading.done():
                return b""
            return reading.result()
        finally:
            reading.cancel()
            stopping.cancel()

    async def _take_all(
        self, found: list[Item], writer: asyncio.StreamWriter, *, keep: bool
    ) -> None:
        """Put everything into the line at once, then answer in order."""
        since = running()
        pending = [(item, self._submit(item, keep=keep)) for item in found]
        for item, futures in pending:
            ack = await self._answer(item, futures)
            if ack is not None:
                writer.write(wrap(ack))
                async with asyncio.timeout(self._settings.idle_seconds):
                    await writer.drain()
                self._door.delays.add(running() - since)

    def _submit(self, item: Item, *, keep: bool) -> "list[Future[Answer | None]]":
        now, name = self._clock(), self.name
        if isinstance(item, Frame):
            return [self._submit_message(item.payload, now)]
        if isinstance(item, Batch):
            envelope: Future[Answer | None] = self._store.submit(
                lambda tx: self._line.reception.keep_batch(tx, name, item, now)
            )
            # Each in a transaction of its own: one that fails takes no other with it.
            taken = [self._submit_message(raw, now, item.doubts) for raw in item.messages]
            return [envelope, *taken]
        log.warning("%s: %s (%d bytes)", name, item.text, len(item.partial))
        if not keep:
            return []
        partial, why = item.partial, item.text
        return [
            self._store.submit(lambda tx: self._line.keep_fragment(tx, name, partial, why, now))
        ]

    def _submit_message(
        self, payload: bytes, now: datetime, doubts: tuple[str, ...] = ()
    ) -> "Future[Answer | None]":
        return self._store.submit(lambda tx: self._line.take(tx, self.name, payload, now, doubts))

    async def _answer(self, item: Item, futures: "list[Future[Answer | None]]") -> bytes | None:
        """Return what to send once everything is stored."""
        if not isinstance(item, Batch):
            payload = item.payload if isinstance(item, Frame) else None
            return await self._outcome(payload, futures[0]) if futures else None
        envelope, *taken = futures
        await self._outcome(None, envelope)
        acks = [
            await self._outcome(raw, future)
            for raw, future in zip(item.messages, taken, strict=True)
        ]
        return self._line.reception.answer_batch(item, acks, self._clock())

    async def _outcome(
        self, payload: bytes | None, future: "Future[Answer | None]"
    ) -> bytes | None:
        """Return the acknowledgement to send. A message on which we fail is kept, then AE 207.

        `payload` is None for what is no message.
        """
        try:
            answer = await asyncio.wrap_future(future)
        except StoreError as error:
            # Nothing was stored: no answer at all, so that the sender keeps it and comes again.
            log.error("%s: nothing stored, closing without an answer: %s", self.name, error)
            raise ConnectionAbortedError("the store refused") from error
        except Exception as error:
            log.error("%s: failed on a message: %s", self.name, named(error))
            answer = await self._keep_failed(payload, f"{type(error).__name__} inside the service")
        return answer.ack if answer else None

    async def _keep_failed(self, payload: bytes | None, why: str) -> Answer | None:
        if payload is None:
            return None
        now = self._clock()
        return await asyncio.wrap_future(
            self._store.submit(lambda tx: self._line.keep_failed(tx, self.name, payload, why, now))
        )


def _opened(item: Frame | Fault) -> Item:
    """Take a batch apart; everything else stays as it is."""
    return split(item.payload) if isinstance(item, Frame) and is_batch(item.payload) else item


def _size(item: Item) -> int:
    return len(item.messages) if isinstance(item, Batch) else 1


def _close(writer: asyncio.StreamWriter) -> None:
    """Close a connection; a peer that does not read its answers can not keep it open."""
    writer.close()
    asyncio.get_running_loop().call_later(STOP_SECONDS, writer.transport.abort)


def _keep_alive(writer: asyncio.StreamWriter) -> None:
    # So that the system notices a peer that vanished without closing.
    writer.get_extra_info("socket").setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)
