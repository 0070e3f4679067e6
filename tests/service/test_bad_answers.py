"""Answers of a LIS that are none: nothing of them confirms a message.

HL7 Implementation Guide, appendix C, section C.4.2 for the block; MLLP release 2 for the commit
blocks of one byte (ACK 06, NAK 15), which say nothing about the message itself.
"""

import asyncio

import pytest

from service.laboratory import ack_for, result_message
from verifier.errors import PeerError
from verifier.service.client import MllpClient

MESSAGE = result_message("V1")
ACK = ack_for(MESSAGE)


async def answered(*parts: bytes) -> str:
    """What a client makes of bytes that a peer writes, before it closes."""

    async def peer(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        await reader.readuntil(b"\x1c\r")
        for part in parts:
            writer.write(part)
            await writer.drain()
        writer.close()

    server = await asyncio.start_server(peer, "127.0.0.1", 0)
    async with server:
        port = server.sockets[0].getsockname()[1]
        client = MllpClient("127.0.0.1", port, connect_seconds=5, answer_seconds=5)
        try:
            return (await client.send(MESSAGE, "V1")).code
        finally:
            await client.close()


@pytest.mark.parametrize(
    "parts",
    [
        [ACK],
        [ACK + b"\x1c\r"],
        [b"\x0b" + ACK],
        [b"\x0b" + ACK + b"\r"],
        [b"\x0b\x15\x1c\r"],
        [b"\x0b\x06\x1c\r"],
        [b"\x0b\x1c\r"],
        [b"\x0b" + ACK.replace(b"MSA|", b"MSB|") + b"\x1c\r"],
        [b"\x0b" + ACK.replace(b"|V1", b"|V2") + b"\x1c\r"],
        [b"\x0b" + ACK.replace(b"|V1", b"|") + b"\x1c\r"],
        [b"\x0bhello\x1c\r"],
        [],
    ],
)
def test_what_is_no_answer_confirms_nothing(parts: list[bytes]) -> None:
    with pytest.raises(PeerError):
        asyncio.run(answered(*parts))


@pytest.mark.parametrize(
    "parts",
    [
        [b"\x0b" + ACK + b"\x1c\r"],
        [b"\x0b\x06\x1c\r", b"\x0b" + ACK + b"\x1c\r"],
        [bytes([byte]) for byte in b"\x0b" + ACK.rstrip(b"\r") + b"\x1c\r"],
        [b"\r\n\x0b" + ACK + b"\x1c\r"],
    ],
)
def test_an_answer_is_read_however_it_comes(parts: list[bytes]) -> None:
    assert asyncio.run(answered(*parts)) == "AA"
