"""Changes to bytes as damaged lines, other senders and editors make them."""

from collections.abc import Sequence
from random import Random

_TOKENS = [
    b"\r", b"\n", b"|", b"^", b"~", b"&", b"\\", b'""', b"\x0b", b"\x1c\r", b"\x1c", b"\0",
    b"#", b"MSH|^~\\&|", b"\rPID|", b"\rOBX|1|NM|", b"\rOBR|1|", b"\rSPM|1|", b"\rSAC|||",
    b"\rORC|", b"\rMRG|", b"BHS|^~\\&|", b"\rBTS|2\r", b"FHS|^~\\&|", b"OUL^R21", b"OUL^R22",
    b"ORU^R30", b"ADT^A40", b"2.3", b"2.8", b"8859/1", b"UNICODE UTF-8", b"\\X0D\\", b"\\.br\\",
    b"<5", b"1e5", b"-", b"99999999999999999999", b"20260230", b"+1500", b"\xff", b"\xc3\xa4",
    b"1:160", b"/", b"%", b"hold when ", b"rule ", b"limits for ", b" within 3 days", b"(",
    b")", b"\"", b"{", b"}", b"\n  ", b" and ", b" not ", b"0", b".", b",", b"previous(",
    b"result", b"\xe2\x89\xa5",
]  # fmt: skip


def mutated(random: Random, seeds: Sequence[bytes], most: int = 4000) -> bytes:
    """Return one of `seeds` after some changes, at most `most` bytes of it."""
    data = bytearray(random.choice(seeds))
    if len(data) > most:
        start = random.randrange(len(data) - most) if random.random() < 0.3 else 0
        data = data[start : start + most]
    for _ in range(1 << random.randrange(5)):
        _change(random, data, seeds)
    return bytes(data[:most])


def _change(random: Random, data: bytearray, seeds: Sequence[bytes]) -> None:
    at = random.randrange(len(data) + 1)
    end = min(len(data), at + (1 << random.randrange(8)))
    match random.randrange(7):
        case 0:
            del data[at:end]
        case 1:
            data[at:at] = random.choice(_TOKENS)
        case 2:
            data[at : at + 1] = random.randbytes(1)
        case 3:
            data[at:at] = data[at:end] * random.randrange(1, 4)
        case 4:
            data[at:end] = random.choice(_TOKENS)
        case 5:
            other = random.choice(seeds)
            start = random.randrange(len(other) + 1)
            data[at:at] = other[start : start + (1 << random.randrange(9))]
        case 6 if data:
            data[at % len(data)] ^= 1 << random.randrange(8)
