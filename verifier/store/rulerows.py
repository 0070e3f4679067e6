"""What the store takes and gives of rule set versions: frozen rows."""

import hashlib
from collections.abc import Mapping
from datetime import datetime
from typing import Literal

from msgspec import Struct

from verifier.store.codec import encode

ActivationKind = Literal["first", "activation", "rollback"]


class RuleTexts(Struct, frozen=True):
    """A rule set as written: the exact text of its files by name, and the numbers of the site.

    The parameters belong to it: what they are decides as much as what the files say.
    """

    files: Mapping[str, str]
    parameters: Mapping[str, str]

    @property
    def hash(self) -> str:
        """SHA-256, in hexadecimal, of every character of it."""
        return hashlib.sha256(encode((dict(self.files), dict(self.parameters)))).hexdigest()


class VersionRow(Struct, frozen=True):
    """A version without its texts. `id` is the number people know it by: 1, 2, 3 …

    `hash` is that of its texts, `identity` of their meaning (`Program.identity`), empty until it
    is checked. `authors` are all who wrote on it, `checked_with` the version of this program.
    """

    id: int
    created: datetime
    author: str
    authors: tuple[str, ...]
    note: str
    based_on: int | None
    changed: datetime
    hash: str
    identity: str
    checked: datetime | None
    checked_by: str
    checked_with: str


class ApprovalRow(Struct, frozen=True):
    """That a person approved a version, seeing this hash of its texts and of its replay."""

    version: int
    person: str
    at: datetime
    hash: str
    replay: str
    comment: str


class ActivationRow(Struct, frozen=True):
    """That a version decides from `at` on. A later row outranks an earlier one once it is due.

    `withdrawn` is set when it was taken back before that time.
    """

    id: int
    version: int
    at: datetime
    ordered: datetime
    person: str
    note: str
    kind: ActivationKind
    withdrawn: datetime | None = None
    withdrawn_by: str = ""


class ReplayRow(Struct, frozen=True):
    """What a version would have decided otherwise than version `against`, over stored history.

    `hash` is that of the texts replayed, `digest` covers both texts and `result`, a JSON object
    of whoever made it.
    """

    version: int
    hash: str
    against: int
    at: datetime
    digest: str
    result: bytes


class ProofRow(Struct, frozen=True):
    """What the guarantees of a version came out as: of texts with this hash, by this program.

    `program` is its version, `result` a JSON object of whoever proved them.
    """

    version: int
    hash: str
    program: str
    at: datetime
    person: str
    result: bytes
