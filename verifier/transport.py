"""Settings of what crosses a network: encryption, who may connect, and secrets kept elsewhere."""

import os
from ipaddress import IPv4Network, IPv6Network, ip_address, ip_network
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

Network = IPv4Network | IPv6Network


def _network(value: object) -> Network:
    try:
        return ip_network(str(value))
    except ValueError as error:
        raise ValueError(f"{error}; write an address or a network such as 10.1.0.0/16") from error


def _secret(value: object) -> object:
    """Return what `env:NAME` or `file:PATH` stands for, any other text as it is."""
    if not isinstance(value, str):
        return value
    kind, _, place = value.partition(":")
    if kind == "env":
        if place not in os.environ:
            raise ValueError(f"the environment variable {place!r} is not set")
        return os.environ[place]
    if kind == "file":
        try:
            return Path(place).read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            why = error.strerror if isinstance(error, OSError) else "it is no UTF-8 text"
            raise ValueError(f"the secret can not be read from {place}: {why}") from error
    return value


Allowed = Annotated[Network, BeforeValidator(_network)]
Secret = Annotated[str, BeforeValidator(_secret)]
Language = Annotated[str, Field(pattern=r"^[a-z]{2,3}(-[A-Z][a-z]{3})?(-[A-Z]{2})?$")]  # BCP 47


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ServerTls(_Section):
    """TLS of a listener or the page. With `authorities`, callers must show a certificate.

    `names` narrows that to certificates that carry one of these DNS names or common names.
    """

    certificate: Path
    key: Path
    key_password: Secret = Field("", repr=False)
    authorities: Path | None = None
    names: tuple[str, ...] = ()


class ClientTls(_Section):
    """TLS towards a destination. Its certificate is always checked, against `authorities` or what
    the system trusts; `certificate` and `key` are shown to a destination that asks for them."""

    authorities: Path | None = None
    server_name: str = ""
    certificate: Path | None = None
    key: Path | None = None
    key_password: Secret = Field("", repr=False)


class Metrics(_Section):
    """Who may read `/metrics`: with a token whoever shows it, without one only this machine."""

    token: Secret = Field("", repr=False)


def admits(networks: tuple[Network, ...], address: str) -> bool:
    """Return whether an address lies in one of the networks; no network means any address."""
    if not networks:
        return True
    try:
        caller = ip_address(address.partition("%")[0])
    except ValueError:
        return False
    mapped = getattr(caller, "ipv4_mapped", None) or caller
    return any(mapped in network for network in networks)


def beside(folder: Path, section: ServerTls | ClientTls | None) -> ServerTls | ClientTls | None:
    """Return a section with its relative paths made relative to `folder`."""
    if section is None:
        return None
    paths = {
        name: folder / value
        for name in ("certificate", "key", "authorities")
        if (value := getattr(section, name)) is not None
    }
    return section.model_copy(update=paths)
