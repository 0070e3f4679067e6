"""The same message once more: recognized by its sender, its control id and what it says."""

import hashlib

from verifier.hl7.message import Message
from verifier.store.rows import Receipt


def body_hash(message: Message) -> bytes:
    """Return the SHA-256 of everything below MSH: a sender may write a new MSH-7 on a resend."""
    digest = hashlib.sha256()
    for segment in message.segments[1:]:
        digest.update(segment.text.encode("utf-8", "surrogatepass") + b"\r")
    return digest.digest()


def same_body(receipts: list[Receipt], message: Message) -> Receipt | None:
    """Return the earlier receipt of the very same message, unless it failed inside us."""
    if not receipts:
        return None
    digest = body_hash(message)
    taken = (r for r in receipts if r.outcome in {"accepted", "control"})
    return next((receipt for receipt in taken if receipt.body_hash == digest), None)
