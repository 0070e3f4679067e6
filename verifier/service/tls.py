"""TLS contexts from the settings: version 1.2 at least, certificates always checked by clients."""

import ssl
from collections.abc import Iterator
from datetime import datetime, timedelta
from pathlib import Path

from cryptography import x509

from verifier.errors import SettingsError
from verifier.settings import Settings
from verifier.transport import ClientTls, ServerTls

WARN_BEFORE = timedelta(days=30)


def server_context(place: str, tls: ServerTls) -> ssl.SSLContext:
    """Return the context of a listener. Raises SettingsError naming `place`."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if tls.authorities is not None:
        context.verify_mode = ssl.CERT_REQUIRED
        _trust(place, context, tls.authorities)
    elif tls.names:
        raise SettingsError(
            f"{place}.names: names are looked up in the certificates of callers; "
            "give authorities as well, so that callers must show one"
        )
    _identify(place, context, tls.certificate, tls.key, tls.key_password)
    return context


def client_context(place: str, tls: ClientTls) -> ssl.SSLContext:
    """Return the context of a sender. Raises SettingsError naming `place`."""
    context = ssl.create_default_context()
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    if tls.authorities is not None:
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        _trust(place, context, tls.authorities)
    if tls.certificate is not None:
        _identify(place, context, tls.certificate, tls.key or tls.certificate, tls.key_password)
    return context


def _trust(place: str, context: ssl.SSLContext, authorities: Path) -> None:
    try:
        context.load_verify_locations(authorities)
    except (OSError, ssl.SSLError) as error:
        raise SettingsError(f"{place}.authorities: {authorities}: {_why(error)}") from error


def _identify(
    place: str, context: ssl.SSLContext, certificate: Path, key: Path, password: str
) -> None:
    try:
        # A key without password needs none; asked for one, OpenSSL would else ask the terminal.
        context.load_cert_chain(certificate, key, password=lambda: password)
    except (OSError, ssl.SSLError) as error:
        raise SettingsError(
            f"{place}: certificate {certificate} with key {key}: {_why(error)}"
        ) from error


def _why(error: OSError) -> str:
    if isinstance(error, ssl.SSLError):
        return f"no usable PEM file, or the key does not belong to it ({error.reason or 'SSL'})"
    return error.strerror or str(error)


def names_shown(certificate: object) -> set[str]:
    """Return the DNS names and common names of what `ssl` says of a caller's certificate."""
    if not isinstance(certificate, dict):
        return set()
    names = {value for kind, value in certificate.get("subjectAltName", ()) if kind == "DNS"}
    subject = (pair for part in certificate.get("subject", ()) for pair in part)
    return names | {value for kind, value in subject if kind == "commonName"}


def doubts(settings: Settings, now: datetime) -> Iterator[str]:
    """Yield what an administrator should know before traffic runs: doors open, dates near."""
    web = settings.web
    if web.host not in {"127.0.0.1", "::1", "localhost"} and not web.tls and not web.secure_cookie:
        yield (
            f"web: the page on {web.host} is not encrypted: passwords and patients' names can be "
            "read on the network. Give [web.tls], or a TLS proxy and secure_cookie = true"
        )
    for place, tls in _certificates(settings):
        until = _valid_until(tls.certificate)
        if until is None:
            continue
        if until < now:
            yield f"{place}: the certificate {tls.certificate} ended on {until:%Y-%m-%d}"
        elif until < now + WARN_BEFORE:
            yield f"{place}: the certificate {tls.certificate} ends on {until:%Y-%m-%d}"


def _certificates(settings: Settings) -> Iterator[tuple[str, ServerTls | ClientTls]]:
    if settings.web.tls:
        yield "web.tls", settings.web.tls
    for name, connection in settings.connections.items():
        if connection.tls:
            yield f"connections.{name}.tls", connection.tls
    for name, destination in settings.destinations.items():
        if destination.tls:
            yield f"destinations.{name}.tls", destination.tls


def _valid_until(path: Path | None) -> datetime | None:
    try:
        data = path.read_bytes() if path else b""
        return x509.load_pem_x509_certificate(data).not_valid_after_utc
    except (OSError, ValueError):
        return None  # whoever makes the context says what is wrong with the file
