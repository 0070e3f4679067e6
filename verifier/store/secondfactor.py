"""Second factors: the secret of an authenticator program, and codes for when it is lost.

Secrets have to be readable to check a code, so a copy of the database gives the second factor
away, and never the first. Recovery codes carry 120 bits and are kept as SHA-256 hashes, which
NIST SP 800-63B section 5.1.2.2 allows from 112 bits on.
"""

import base64
import hashlib
import secrets

from sqlalchemy import bindparam, delete, func, insert, select, update

from verifier.errors import RefusedError
from verifier.store import schema, totp
from verifier.store.base import Reading, Writing
from verifier.store.rows import SecondFactor
from verifier.store.sql import Statement

RECOVERY_CODES = 8
_RECOVERY_BYTES = 15  # 24 characters

_factor, _recovery = schema.second_factor, schema.recovery_code
_mine = _factor.c.person == bindparam("who")

_FACTOR = Statement(select(_factor.c.secret, _factor.c.pending, _factor.c.last_step).where(_mine))
_LEFT = Statement(
    select(func.count()).select_from(_recovery).where(_recovery.c.person == bindparam("who"))
)
_WITH = Statement(select(_factor.c.person).where(_factor.c.secret.is_not(None)))
_ADD = Statement(insert(_factor))
_SET = Statement(
    update(_factor)
    .where(_mine)
    .values(
        secret=bindparam("new_secret"),
        pending=bindparam("new_pending"),
        last_step=bindparam("new_step"),
    )
)
_DELETE = Statement(delete(_factor).where(_mine))
_ADD_CODE = Statement(insert(_recovery))
_USE_CODE = Statement(
    delete(_recovery).where(
        _recovery.c.person == bindparam("who"), _recovery.c.hashed == bindparam("hashed")
    )
)
_SIGN_OUT = Statement(delete(schema.session).where(schema.session.c.person == bindparam("who")))
_DELETE_CODES = Statement(delete(_recovery).where(_recovery.c.person == bindparam("who")))


def _hashed(code: str) -> bytes:
    plain = "".join(sign for sign in code.upper() if sign.isalnum())
    return hashlib.sha256(plain.encode()).digest()


def _new_code() -> str:
    text = base64.b32encode(secrets.token_bytes(_RECOVERY_BYTES)).decode()
    return "-".join(text[at : at + 4] for at in range(0, len(text), 4))


class SecondFactorReads(Reading):
    """What can be asked about second factors."""

    def second_factor(self, name: str) -> SecondFactor:
        """Return what is known of a person's second factor."""
        row = self._one(_FACTOR, who=name)
        secret, pending, step = row or (None, None, 0)
        return SecondFactor(secret, pending, step, self._one(_LEFT, who=name)[0])

    def with_second_factor(self) -> set[str]:
        """Return the names of those who have one."""
        return {row[0] for row in self._all(_WITH)}


class SecondFactorWrites(SecondFactorReads, Writing):
    """Setting one up, using it, taking it away."""

    def begin_second_factor(self, name: str) -> bytes:
        """Return a new secret that counts for nothing until it is confirmed."""
        self.claim(f"person {name}")
        known, fresh = self.second_factor(name), secrets.token_bytes(totp.SECRET_BYTES)
        if not self._keep(name, known.secret, fresh, known.last_step):
            self._insert(_ADD, name, None, fresh, 0)
        return fresh

    def confirm_second_factor(self, name: str, code: str) -> list[str] | None:
        """Let the pending secret count if the code is of it; return fresh recovery codes."""
        self.claim(f"person {name}")
        pending = self.second_factor(name).pending
        step = totp.matching_step(pending, code, self.now(), 0) if pending else None
        if step is None:
            return None
        self._keep(name, pending, None, step)
        self._run(_DELETE_CODES, who=name)
        codes = [_new_code() for _ in range(RECOVERY_CODES)]
        for one in codes:
            self._insert(_ADD_CODE, name, _hashed(one))
        return codes

    def use_code(self, name: str, code: str) -> str:
        """Use up a code; return what it was (``code``, ``recovery code``), empty if it is wrong."""
        known = self.second_factor(name)
        if known.secret is None:
            return ""
        step = totp.matching_step(known.secret, code, self.now(), known.last_step)
        if step is not None:
            self._keep(name, known.secret, known.pending, step)
            return "code"
        return "recovery code" if self._run(_USE_CODE, who=name, hashed=_hashed(code)) else ""

    def remove_second_factor(self, name: str) -> None:
        """Take a second factor and its recovery codes away; sessions end.

        Raises:
            RefusedError: there is none.
        """
        self.claim(f"person {name}")
        self._run(_DELETE_CODES, who=name)
        if not self._run(_DELETE, who=name):
            raise RefusedError("%(name)r has no second factor.", name=name)
        self._run(_SIGN_OUT, who=name)

    def _keep(self, name: str, secret: bytes | None, pending: bytes | None, step: int) -> bool:
        values = {"new_secret": secret, "new_pending": pending, "new_step": step}
        return bool(self._run(_SET, who=name, **values))
