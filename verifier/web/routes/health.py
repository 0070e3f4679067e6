"""For machines: is the process alive, can it work, and its metrics. Nothing names a patient."""

import hmac
from concurrent.futures import TimeoutError as LateError
from ipaddress import ip_address

from fastapi import APIRouter, Request
from fastapi.responses import PlainTextResponse, Response

from verifier.errors import StoreError
from verifier.web.desk import Desk, TheDesk
from verifier.web.metrics import TYPE, all_families, exposition, look

router = APIRouter()
PATIENCE = 5.0  # seconds for the database to end a transaction
_FORWARDED = ("forwarded", "x-forwarded-for", "x-real-ip")


@router.get("/healthz")
async def alive() -> Response:
    """Say that the process answers."""
    return PlainTextResponse("ok\n")


@router.get("/readyz")
def ready(desk: TheDesk) -> Response:
    """Say whether results can be taken, decided and stored; else, in a word, what is missing.

    Rules are loaded before the page opens. That not the version decides that should is an alarm
    (`verifier_rules_alarm`) and no reason to keep results away: the one before goes on.
    """
    missing = _missing(desk)
    return PlainTextResponse(f"{missing or 'ready'}\n", status_code=503 if missing else 200)


@router.get("/metrics")
def metrics(request: Request, desk: TheDesk) -> Response:
    """Return the metrics to whom the settings allow it."""
    if refusal := _refusal(request, desk):
        return PlainTextResponse(f"{refusal}\n", status_code=403)
    found = desk.store.read(lambda reader: look(reader, desk.clock()))
    text = exposition(all_families(found, desk.store.tally, desk.status, desk.line))
    return Response(text, headers={"Content-Type": TYPE})


def _missing(desk: Desk) -> str:
    if desk.status.closed():
        return "listeners"
    try:
        desk.store.submit(lambda tx: None).result(PATIENCE)  # locks the file, ends a transaction
    except (StoreError, LateError):
        return "database"
    return ""


def _refusal(request: Request, desk: Desk) -> str:
    """Return why this caller may not read the metrics, empty when it may."""
    web = desk.settings.web
    if token := web.metrics.token:
        given = request.headers.get("authorization", "")
        fits = hmac.compare_digest(given.encode(), f"Bearer {token}".encode())
        return "" if fits else "Show the token of web.metrics as a bearer token."
    # Whoever comes through a proxy on this machine seems to be on it.
    proxied = (web.secure_cookie and web.tls is None) or any(
        name in request.headers for name in _FORWARDED
    )
    if proxied or not request.client or not _loopback(request.client.host):
        return "Only this machine may read the metrics; set web.metrics.token for others."
    return ""


def _loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False
