"""An MLLP client: one connection, one message in flight, answers matched to what was sent."""

import asyncio
import contextlib
import logging
import ssl
from collections.abc import Callable

from verifier.errors import PeerError
from verifier.hl7.acknowledge import Answer, parse_ack
from verifier.hl7.faults import Unreadable
from verifier.hl7.framing import Fault, Framer, wrap
from verifier.hl7.message import Message

log = logging.getLogger(__name__)

CHUNK = 65536
LARGEST_ANSWER = 1 << 20  # bytes


class MllpClient:
    """A sender. After any fault the connection is closed, so that a late answer can never be
    taken for the answer to the next message."""

    def __init__(
        self,
        host: str,
        port: int,
        *,
        connect_seconds: float = 5,
        answer_seconds: float = 30,
        tls: ssl.SSLContext | None = None,
        server_name: str = "",
    ) -> None:
        self._address = (host, port)
        self._tls = tls
        self._server_name = (server_name or host) if tls else None
        self._connect_seconds = connect_seconds
        self._answer_seconds = answer_seconds
        self._streams: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None
        self._framer = Framer(LARGEST_ANSWER)
        self._answered = ""  # the control id answered last on this connection

    async def send(
        self, payload: bytes, control_id: str, permitted: Callable[[], bool] = lambda: True
    ) -> Answer:
        """Send one message and return the answer to it; `permitted` is asked at the last moment.

        Raises:
            PeerError: not permitted any more, no connection, no answer in time, or an answer to
                something else.
        """
        try:
            reader, writer = await self._connected()
            # Not `wait_for`: in Python 3.11 it may swallow a cancellation.
            async with asyncio.timeout(self._answer_seconds):
                if not permitted():
                    raise PeerError("another node has taken over this destination")
                writer.write(wrap(payload))
                await writer.drain()
                return await self._answer(reader, control_id)
        except TimeoutError as error:
            await self.close()
            raise PeerError(f"no answer within {self._answer_seconds:g} s") from error
        except OSError as error:
            await self.close()
            raise PeerError(f"no connection: {error.strerror or error}") from error
        except BaseException:  # a wrong answer, a cancellation: whatever comes later is not read
            await self.close()
            raise

    async def close(self) -> None:
        """Close the connection, if there is one."""
        if self._streams is None:
            return
        _, writer = self._streams
        self._streams = None
        if writer.transport.get_write_buffer_size():  # a peer that does not read would keep it open
            writer.transport.abort()
        writer.close()
        with contextlib.suppress(OSError, TimeoutError):  # closed as far as we are concerned
            async with asyncio.timeout(1):
                await writer.wait_closed()

    async def _connected(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        if self._streams is None or self._streams[0].at_eof():
            await self.close()
            self._framer = Framer(LARGEST_ANSWER)
            self._answered = ""
            self._streams = await self._connect()
        return self._streams

    async def _connect(self) -> tuple[asyncio.StreamReader, asyncio.StreamWriter]:
        try:
            async with asyncio.timeout(self._connect_seconds):
                return await asyncio.open_connection(
                    *self._address, ssl=self._tls, server_hostname=self._server_name
                )
        except TimeoutError as error:
            raise PeerError(f"no connection within {self._connect_seconds:g} s") from error
        except ssl.SSLCertVerificationError as error:
            raise PeerError(f"its certificate is not trusted: {error.verify_message}") from error

    async def _answer(self, reader: asyncio.StreamReader, control_id: str) -> Answer:
        """Return the answer; the one to the message before, said twice, is passed over."""
        while True:
            data = await reader.read(CHUNK)
            if not data:
                raise PeerError("the connection was closed before an answer came")
            for found in self._framer.feed(data):
                if isinstance(found, Fault):
                    raise PeerError(f"the answer is no MLLP block: {found.text}")
                if found.payload in {b"\x06", b"\x15"}:  # MLLP release 2 commit blocks
                    continue
                answer = _read(found.payload)
                if answer.control_id == control_id:
                    self._answered = control_id
                    return answer
                if not self._answered or answer.control_id != self._answered:
                    raise PeerError("the answer is for another message")
                log.warning("a second answer to %s: %s", answer.control_id, answer.code)


def _read(payload: bytes) -> Answer:
    try:
        return parse_ack(Message.read(payload))
    except Unreadable as error:
        raise PeerError(f"the answer can not be read: {error}") from error
