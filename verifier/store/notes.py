"""Signed checkpoints of the audit log, as text (C2SP tlog-checkpoint and signed-note).

Three lines (origin, size, root in base64), an empty line, and a line with the signature.
"""

import base64
import binascii
import hashlib

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PrivateKey, Ed25519PublicKey
from msgspec import Struct

_ED25519 = b"\x01"  # the signature type of Ed25519 in a signed note
_DASH = "—"


class Checkpoint(Struct, frozen=True):
    """That the log `origin` had `size` entries under `root`; `note` is the signed text."""

    origin: str
    size: int
    root: bytes
    note: str


class PublicKey(Struct, frozen=True):
    """A key to check signatures with, under the name of the log it belongs to."""

    name: str
    raw: bytes

    @property
    def identifier(self) -> bytes:
        """Return the four bytes that name this key inside a signature line."""
        return hashlib.sha256(self.name.encode() + b"\n" + _ED25519 + self.raw).digest()[:4]

    def text(self) -> str:
        """Return the key as one line, to be kept elsewhere: name+identifier+key."""
        key = base64.b64encode(_ED25519 + self.raw).decode()
        return f"{self.name}+{self.identifier.hex()}+{key}"

    @classmethod
    def read(cls, text: str) -> "PublicKey":
        """Read what `text` wrote. Raises ValueError when it is none or was mistyped."""
        name, identifier, key = text.strip().split("+", 2)
        raw = base64.b64decode(key, validate=True)
        found = cls(name, raw[1:])
        if raw[:1] != _ED25519 or len(raw) != 33 or found.identifier.hex() != identifier:
            raise ValueError("this is not a public key of an audit log")
        return found


def sign(origin: str, size: int, root: bytes, key: Ed25519PrivateKey) -> str:
    """Return the signed note of a checkpoint."""
    body = f"{origin}\n{size}\n{base64.b64encode(root).decode()}\n"
    identifier = PublicKey(origin, key.public_key().public_bytes_raw()).identifier
    signature = base64.b64encode(identifier + key.sign(body.encode())).decode()
    return f"{body}\n{_DASH} {origin} {signature}\n"


def read_note(note: str, key: PublicKey) -> Checkpoint:
    """Read a note and check its signature. Raises ValueError with what is wrong."""
    body, separator, signatures = note.partition("\n\n")
    lines = body.split("\n")
    if not separator or len(lines) != 3 or not signatures.endswith("\n"):
        raise ValueError("this is not a checkpoint")
    if not lines[1].isdecimal() or str(int(lines[1])) != lines[1]:
        raise ValueError("this is not a checkpoint: its size is no number")
    signed = f"{body}\n".encode()
    if not any(_signs(line, signed, key) for line in signatures.splitlines()):
        raise ValueError(f"the checkpoint of {lines[1]} entries is not signed by this key")
    return Checkpoint(lines[0], int(lines[1]), _decoded(lines[2]), note)


def _signs(line: str, signed: bytes, key: PublicKey) -> bool:
    try:
        dash, name, encoded = line.split(" ")
        signature = _decoded(encoded)
        if dash != _DASH or name != key.name or signature[:4] != key.identifier:
            return False
        Ed25519PublicKey.from_public_bytes(key.raw).verify(signature[4:], signed)
    except (ValueError, binascii.Error, InvalidSignature):
        return False
    return True


def _decoded(text: str) -> bytes:
    """Return the bytes of base64 in the one spelling they have (RFC 4648 section 3.5)."""
    decoded = base64.b64decode(text, validate=True)
    if base64.b64encode(decoded).decode() != text:
        raise ValueError("base64 is not spelled as it should be")
    return decoded


def split_notes(text: str) -> list[str]:
    """Return the notes of a file they were appended to, one after the other.

    What is left of one that was being written when the machine stopped is none: no log remembers
    it as signed.

    Raises:
        ValueError: the file does not consist of notes.
    """
    lines = text.splitlines(keepends=True)
    whole = len(lines) // 6 * 6
    if any(lines[at] != "\n" for at in range(5, whole, 6)):
        raise ValueError("the file of checkpoints does not consist of checkpoints")
    return ["".join(lines[at : at + 5]) for at in range(0, whole, 6)]
