"""How values lie in the database: instants as whole microseconds UTC, structures as JSON.

Records, decisions and facts are packed (JSON under zlib): they repeat themselves so much that
packing them costs less time than writing them out would.
"""

import zlib
from datetime import UTC, datetime, timedelta

import msgspec

from verifier.facts.case import Case, CaseRecord
from verifier.facts.values import Value
from verifier.facts.verdicts import Decision

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)

_encoder = msgspec.json.Encoder(order="deterministic")
encode = _encoder.encode
read_value = msgspec.json.Decoder(Value).decode
read_detail = msgspec.json.Decoder(dict[str, object]).decode
read_body = msgspec.json.Decoder(
    tuple[int, int, str, str, str, str, str]
).decode  # of audit entries
_record = msgspec.json.Decoder(CaseRecord)
_decision = msgspec.json.Decoder(Decision)
_case = msgspec.json.Decoder(Case)


def pack(structure: CaseRecord | Decision | Case) -> bytes:
    """Return a structure as it is stored; equal structures give equal bytes."""
    return zlib.compress(encode(structure), 1)


def read_record(stored: bytes) -> CaseRecord:
    """Return the case record `pack` stored."""
    return _record.decode(zlib.decompress(stored))


def read_decision(stored: bytes) -> Decision:
    """Return the decision `pack` stored."""
    return _decision.decode(zlib.decompress(stored))


def read_case(stored: bytes) -> Case:
    """Return the facts `pack` stored."""
    return _case.decode(zlib.decompress(stored))


def same_bytes(structure: CaseRecord | Decision | Case, stored: bytes) -> bool:
    """Whether a structure is what `pack` stored, to the last byte."""
    return encode(structure) == zlib.decompress(stored)


def micros(instant: datetime) -> int:
    """Return an aware instant as microseconds since 1970-01-01 UTC."""
    return (instant - _EPOCH) // _MICROSECOND


def micros_or_none(instant: datetime | None) -> int | None:
    """The same, and None stays None."""
    return None if instant is None else micros(instant)


def instant(stored: int) -> datetime:
    """Return what `micros` stored."""
    return _EPOCH + timedelta(microseconds=stored)


def instant_or_none(stored: int | None) -> datetime | None:
    """The same, and None stays None."""
    return None if stored is None else instant(stored)
