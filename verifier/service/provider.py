"""An identity provider: OpenID Connect Core 1.0, authorization code flow with PKCE (RFC 7636).

Nothing it says is believed before its signature, issuer, audience, times and nonce are checked.
What one sign-in needs between leaving and coming back is made from one random text that the
browser keeps in a cookie: state, nonce and code verifier are hashes of it, so none gives another
away.
"""

import base64
import hashlib
import hmac
import logging
import ssl
import threading
from collections.abc import Mapping
from datetime import datetime, timedelta
from typing import Any
from urllib.parse import urlencode

import httpx
import jwt
from msgspec import Struct

from verifier.clock import Clock
from verifier.entrance import Oidc, Role, encrypted_or_here
from verifier.errors import RefusedError

log = logging.getLogger(__name__)

BACK = "/sign-in/provider/back"
_KEPT = timedelta(hours=1)  # what the provider says of itself
_AGAIN = timedelta(minutes=1)  # keys are asked for again at most so often
_NAMED = ("issuer", "authorization_endpoint", "token_endpoint", "jwks_uri")
_REQUIRED = ["iss", "sub", "aud", "exp", "iat"]  # OpenID Connect Core 1.0, section 2


class Identity(Struct, frozen=True):
    """Whom the provider let in: `subject` is issuer and subject, `role` what its claims give."""

    subject: str
    name: str
    role: Role


class _Known(Struct, frozen=True):
    """What the provider says of itself, its keys by id, and when that was asked."""

    document: Mapping[str, Any]
    keys: Mapping[str, Mapping[str, Any]]
    at: datetime


class Provider:
    """One identity provider; its description is asked for when first needed."""

    def __init__(self, oidc: Oidc, clock: Clock) -> None:
        self._oidc, self._clock = oidc, clock
        self._known: _Known | None = None
        self._lock = threading.Lock()
        self._back = oidc.address.rstrip("/") + BACK

    def begin(self, secret: str) -> str:
        """Return where to send the browser. Raises RefusedError when the provider fails."""
        challenge = hashlib.sha256(derived(secret, "verifier").encode()).digest()
        return f"{self._describe().document['authorization_endpoint']}?" + urlencode(
            {
                "response_type": "code",
                "client_id": self._oidc.client_id,
                "redirect_uri": self._back,
                "scope": " ".join(self._oidc.scopes),
                "state": derived(secret, "state"),
                "nonce": derived(secret, "nonce"),
                "code_challenge": _base64(challenge),
                "code_challenge_method": "S256",
            }
        )

    def finish(self, secret: str, answer: Mapping[str, str]) -> Identity:
        """Return whom the provider let in, from what the browser came back with.

        Raises:
            RefusedError: the provider refused or failed, or what it says must not be believed.
        """
        if not secret or not _same(answer.get("state", ""), derived(secret, "state")):
            raise RefusedError("This was not begun in this browser, or too long ago. Begin again.")
        if answer.get("iss", self._oidc.issuer) != self._oidc.issuer:  # RFC 9207
            raise RefusedError("The answer came from another identity provider.")
        if "code" not in answer:
            raise RefusedError("The identity provider did not let you in.")
        tokens = self._exchange(answer["code"], derived(secret, "verifier"))
        claims = self.checked(tokens.get("id_token"), derived(secret, "nonce"))
        return self._identity(self._with_details(claims, tokens.get("access_token")))

    def checked(self, token: object, nonce: str) -> dict[str, Any]:
        """Return the claims of an ID token once everything about it is right.

        Core 1.0, section 3.1.3.7. Raises RefusedError with the reason.
        """
        if not isinstance(token, str):
            raise RefusedError("The identity provider sent no ID token.")
        try:
            claims = self._decoded(token)
        except jwt.PyJWTError as error:
            raise RefusedError(
                "The identity provider's token is not valid: %(error)s.", error=error
            ) from error
        if not _same(str(claims.get("nonce", "")), nonce):
            raise RefusedError("The token was made for another sign-in (its nonce differs).")
        several = isinstance(claims["aud"], list) and len(claims["aud"]) > 1
        if claims.get("azp", None if several else self._oidc.client_id) != self._oidc.client_id:
            raise RefusedError("The token was made for another program (its azp differs).")
        return claims

    def _decoded(self, token: str) -> dict[str, Any]:
        header = jwt.get_unverified_header(token)
        if header.get("alg") not in self._oidc.algorithms:
            raise jwt.InvalidAlgorithmError(f"the algorithm {header.get('alg')!r} is not allowed")
        shown = self._key(header.get("kid"))
        if shown.get("alg", header["alg"]) != header["alg"]:
            raise jwt.InvalidAlgorithmError("its key is for another algorithm")
        key = jwt.PyJWK.from_dict(dict(shown), algorithm=header["alg"])
        now, skew = self._clock().timestamp(), self._oidc.skew_seconds
        # The times are compared with our own clock below, so that there is one clock.
        claims: dict[str, Any] = jwt.decode(
            token,
            key,
            algorithms=[header["alg"]],
            audience=self._oidc.client_id,
            issuer=self._oidc.issuer,
            options={
                "require": _REQUIRED,
                "verify_exp": False,
                "verify_nbf": False,
                "verify_iat": False,
            },
        )
        _in_time(claims, now, skew)
        return claims

    def _identity(self, claims: Mapping[str, Any]) -> Identity:
        given = claims.get(self._oidc.role_claim)
        values = given if isinstance(given, list) else [given]
        role = next((role for value, role in self._oidc.roles.items() if value in values), None)
        if role is None:
            raise RefusedError("Your account at the identity provider gives no role here.")
        name = str(claims.get(self._oidc.name_claim) or claims["sub"])
        return Identity(f"{self._oidc.issuer} {claims['sub']}", name, role)

    def _with_details(self, claims: dict[str, Any], access: object) -> Mapping[str, Any]:
        """Return the claims with those told at the userinfo endpoint only (Core 1.0, 5.3)."""
        where = self._describe().document.get("userinfo_endpoint")
        wanted = (self._oidc.name_claim, self._oidc.role_claim)
        if all(one in claims for one in wanted) or not where or not isinstance(access, str):
            return claims
        more = self._asked("GET", str(where), headers={"Authorization": f"Bearer {access}"})
        if more.get("sub") != claims["sub"]:  # section 5.3.2
            raise RefusedError("The identity provider told of somebody else.")
        return {**more, **claims}

    def _exchange(self, code: str, verifier: str) -> Mapping[str, Any]:
        form = {
            "grant_type": "authorization_code",
            "code": code,
            "redirect_uri": self._back,
            "code_verifier": verifier,
        }
        document = self._describe().document
        ways = document.get("token_endpoint_auth_methods_supported", ["client_secret_basic"])
        if "client_secret_basic" in ways:
            # RFC 6749 section 2.3.1: both parts are form-encoded first.
            both = (self._oidc.client_id, self._oidc.client_secret)
            auth = httpx.BasicAuth(*(urlencode({"": part})[1:] for part in both))
            return self._asked("POST", str(document["token_endpoint"]), data=form, auth=auth)
        form |= {"client_id": self._oidc.client_id, "client_secret": self._oidc.client_secret}
        return self._asked("POST", str(document["token_endpoint"]), data=form)

    def _key(self, kid: object) -> Mapping[str, Any]:
        """Return a key by its id; an unknown id may be one that is new."""
        found = _named(self._describe().keys, kid)
        if found is None:
            found = _named(self._describe(oldest=_AGAIN).keys, kid)
        if found is None:
            raise jwt.InvalidKeyError("it is signed with a key the provider does not show")
        return found

    def _describe(self, oldest: timedelta = _KEPT) -> _Known:
        with self._lock:
            known, now = self._known, self._clock()
            if known is None or now - known.at > oldest:
                known = self._known = self._asked_for_itself(now)
            return known

    def _asked_for_itself(self, now: datetime) -> _Known:
        place = self._oidc.issuer.rstrip("/") + "/.well-known/openid-configuration"
        document = self._asked("GET", place)
        if document.get("issuer") != self._oidc.issuer:  # Discovery 1.0, section 4.3
            raise RefusedError("The identity provider calls itself otherwise than it is set here.")
        for name in _NAMED:
            if not encrypted_or_here(str(document.get(name, ""))):
                raise RefusedError("The identity provider names no usable %(name)s.", name=name)
        shown = self._asked("GET", str(document["jwks_uri"])).get("keys", [])
        signing = [one for one in shown if one.get("use", "sig") == "sig"]
        return _Known(document, {str(one.get("kid", "")): one for one in signing}, now)

    def _asked(self, method: str, place: str, **more: Any) -> Mapping[str, Any]:
        trusted = ssl.create_default_context(cafile=self._oidc.authorities)
        try:
            # Without the environment: no proxy and no password file of whoever started us.
            with httpx.Client(
                trust_env=False, timeout=self._oidc.answer_seconds, verify=trusted
            ) as client:
                answer = client.request(method, place, **more)
                answer.raise_for_status()
                told = answer.json()
        except (httpx.HTTPError, ValueError) as error:
            log.warning("the identity provider failed at %s: %s", place, type(error).__name__)
            raise RefusedError(
                "The identity provider does not answer as it should. Try again, or ask an "
                "administrator."
            ) from error
        if not isinstance(told, dict):
            raise RefusedError("The identity provider does not answer as it should.")
        return told


def derived(secret: str, purpose: str) -> str:
    """Return what one random text gives for one purpose: 43 characters of base64url."""
    return _base64(hmac.digest(secret.encode(), purpose.encode(), "sha256"))


def _base64(data: bytes) -> str:
    return base64.urlsafe_b64encode(data).decode().rstrip("=")


def _same(given: str, expected: str) -> bool:
    return hmac.compare_digest(given.encode(), expected.encode())


def _named(keys: Mapping[str, Mapping[str, Any]], kid: object) -> Mapping[str, Any] | None:
    if kid is None:  # allowed where there is one key only: Core 1.0, section 10.1
        return next(iter(keys.values())) if len(keys) == 1 else None
    return keys.get(str(kid))


def _in_time(claims: Mapping[str, Any], now: float, skew: int) -> None:
    try:
        ends, made, begins = (float(claims.get(name, now)) for name in ("exp", "iat", "nbf"))
    except (TypeError, ValueError) as error:
        raise jwt.DecodeError("its times are no numbers") from error
    if not now < ends + skew:
        raise jwt.ExpiredSignatureError("it has expired")
    if not made <= now + skew or not begins <= now + skew:
        raise jwt.ImmatureSignatureError("it is of the future; compare the clocks")
