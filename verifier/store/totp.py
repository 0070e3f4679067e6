"""One-time passwords by time (RFC 6238) of a counter (RFC 4226), as authenticator programs make."""

import base64
import hmac
from datetime import datetime
from urllib.parse import quote

STEP_SECONDS = 30
DIGITS = 6
TOLERANCE = 1  # steps before and after the present one: RFC 6238 section 5.2, clocks that differ
SECRET_BYTES = 20  # RFC 4226 section 4, R6: 160 bits are recommended


def one_time(secret: bytes, counter: int, digits: int = DIGITS) -> str:
    """Return the code of a counter, with HMAC-SHA-1 as every authenticator program knows it."""
    digest = hmac.digest(secret, counter.to_bytes(8, "big"), "sha1")
    start = digest[-1] & 0x0F  # dynamic truncation, RFC 4226 section 5.3
    number = int.from_bytes(digest[start : start + 4], "big") & 0x7FFF_FFFF
    return f"{number % 10**digits:0{digits}}"


def step_of(at: datetime) -> int:
    """Return the time step of an instant."""
    return int(at.timestamp()) // STEP_SECONDS


def matching_step(secret: bytes, code: str, at: datetime, after: int) -> int | None:
    """Return the time step a code belongs to, None when it is wrong or not newer than `after`.

    A code is taken once (RFC 6238 section 5.2), so `after` is the step that was used last.
    """
    now, given = step_of(at), code.replace(" ", "").encode()
    steps = range(max(now - TOLERANCE, after + 1), now + TOLERANCE + 1)
    fitting = [s for s in steps if hmac.compare_digest(one_time(secret, s).encode(), given)]
    return fitting[-1] if fitting else None


def as_text(secret: bytes) -> str:
    """Return a secret as people type it into a program."""
    return base64.b32encode(secret).decode().rstrip("=")


def as_address(secret: bytes, name: str, laboratory: str) -> str:
    """Return the address that the picture for the camera of a telephone holds."""
    issuer = quote(laboratory, safe="")
    return (
        f"otpauth://totp/{issuer}:{quote(name, safe='')}"
        f"?secret={as_text(secret)}&issuer={issuer}"
        f"&algorithm=SHA1&digits={DIGITS}&period={STEP_SECONDS}"
    )
