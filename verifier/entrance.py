"""Settings of the page and of who gets in: passwords, second factors, an identity provider."""

from ipaddress import ip_address
from pathlib import Path
from typing import Literal, Self
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, field_validator, model_validator

from verifier.transport import Language, Metrics, Secret, ServerTls

Role = Literal["technologist", "pathologist", "administrator"]
Algorithm = Literal["RS256", "RS384", "RS512", "PS256", "ES256", "ES384", "EdDSA"]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Oidc(_Section):
    """Signing in by way of an identity provider: OpenID Connect Core 1.0, authorization code flow.

    `address` is how browsers reach this page; the provider must know `address` followed by
    ``/sign-in/provider/back``. `roles` gives the role of a value of `role_claim`; where somebody
    has several, the first one written counts. With `local` ``administrators`` other people get in
    by way of the provider only. `authorities` are those who sign its certificate.
    """

    issuer: str
    client_id: str
    client_secret: Secret = Field(repr=False)
    address: str
    title: str = "the laboratory's identity provider"
    scopes: tuple[str, ...] = ("openid", "profile")
    name_claim: str = "preferred_username"
    role_claim: str = "groups"
    roles: dict[str, Role] = Field(min_length=1)
    new_people: Literal["create", "refuse"] = "refuse"
    local: Literal["everybody", "administrators"] = "administrators"
    algorithms: tuple[Algorithm, ...] = ("RS256", "PS256", "ES256")
    skew_seconds: int = Field(60, ge=0, le=300)
    answer_seconds: float = Field(10, gt=0)
    authorities: Path | None = None

    @field_validator("issuer", "address")
    @classmethod
    def _encrypted(cls, value: str) -> str:
        if not encrypted_or_here(value):
            raise ValueError(f"{value!r}: write an address that begins with https://")
        return value

    @field_validator("scopes")
    @classmethod
    def _asks_for_identity(cls, value: tuple[str, ...]) -> tuple[str, ...]:
        if "openid" not in value:
            raise ValueError('one of them must be "openid"')
        return value


class Web(_Section):
    """The page. `secure_cookie` must stay on wherever the page is reached over a network.

    A session ends after `session_minutes` without use and after `session_hours` in any case. Who
    has a role of `second_factor` must give a one-time password as well. `password_days` 0 never
    asks for another password: NIST SP 800-63B section 5.1.1.2 advises against doing so.
    """

    host: str = "127.0.0.1"
    port: int = Field(8480, ge=0, le=65535)
    secure_cookie: bool = False
    session_minutes: int = Field(30, gt=0)
    session_hours: float = Field(12, gt=0)
    lock_after_failures: int = Field(5, gt=0)
    lock_minutes: int = Field(15, gt=0)
    slow_after_failures: int = Field(20, gt=0)
    password_days: int = Field(0, ge=0)
    second_factor: tuple[Role, ...] = ()
    max_connections: int = Field(500, gt=0)
    metrics: Metrics = Metrics()
    languages: tuple[Language, ...] = Field(("en-GB",), min_length=1)
    tls: ServerTls | None = None
    oidc: Oidc | None = None

    @model_validator(mode="after")
    def _asks_people_for_passwords(self) -> Self:
        if self.tls and self.tls.names:
            raise ValueError("tls.names: the page knows people by their password, not by names")
        return self

    @property
    def encrypted(self) -> bool:
        """Whether browsers reach the page by https, from us or from a proxy before us."""
        return self.secure_cookie or self.tls is not None

    def beside(self, folder: Path) -> Self:
        """Return the same with the paths of the identity provider made relative to `folder`."""
        if self.oidc is None or self.oidc.authorities is None:
            return self
        moved = self.oidc.model_copy(update={"authorities": folder / self.oidc.authorities})
        return self.model_copy(update={"oidc": moved})


def encrypted_or_here(address: str) -> bool:
    """Return whether an address is one of https, or of this machine itself."""
    parts = urlsplit(address)
    if parts.scheme == "https" and parts.hostname:
        return True
    if parts.scheme != "http" or not parts.hostname:
        return False
    try:
        return ip_address(parts.hostname).is_loopback
    except ValueError:
        return parts.hostname == "localhost"
