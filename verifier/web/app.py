"""Puts the page together."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from http import HTTPStatus
from pathlib import Path
from urllib.parse import quote, urlsplit

from fastapi import Depends, FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import PlainTextResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.exceptions import HTTPException

from verifier.clock import Clock
from verifier.errors import RefusedError, StoreError
from verifier.service.line import Line
from verifier.service.status import Status
from verifier.settings import Settings
from verifier.store.store import Store
from verifier.web.catalogue import say, told
from verifier.web.desk import Desk
from verifier.web.guard import ForbiddenError, NotSignedInError, OwingError, numbers_fit, see
from verifier.web.routes import (
    access,
    account,
    acts,
    batch,
    calls,
    case,
    claims,
    drafts,
    health,
    levels,
    messages,
    overview,
    people,
    provider,
    quality,
    queue,
    record,
    rules,
    scripts,
    search,
    steps,
    stops,
    trails,
    usage,
    versions,
)
from verifier.web.shell import Shell

_STATIC = Path(__file__).parent / "static"


def create_app(
    store: Store, line: Line, settings: Settings, clock: Clock, status: Status | None = None
) -> FastAPI:
    """Return the page as an ASGI application; `status` is that of the process it runs in.

    It neither opens nor closes the store. Call `app.state.desk.pulse.close()` before stopping the
    server: open pages hold a stream that would otherwise keep it waiting.
    """
    desk = Desk(store, line, settings, clock, status or Status.of(settings, clock()))

    @asynccontextmanager
    async def running(app: FastAPI) -> AsyncIterator[None]:
        async with desk.pulse.beating():
            yield
        desk.chores.close()

    app = FastAPI(lifespan=running, openapi_url=None, docs_url=None, redoc_url=None)
    app.state.desk = desk
    app.add_middleware(Shell, secure=settings.web.encrypted, languages=settings.web.languages)
    app.mount("/static", StaticFiles(directory=_STATIC), name="static")
    doors = (access, steps, provider, account, health, scripts)
    bench = (queue, case, claims, batch, acts, calls, trails, search, messages, overview)
    office = (stops, quality, levels, usage, rules, versions, drafts, people, record)
    for part in (*doors, *bench, *office):
        app.include_router(part.router, dependencies=[Depends(numbers_fit)])
    _explain_refusals(app, desk)
    return app


def _explain_refusals(app: FastAPI, desk: Desk) -> None:
    """Every refusal becomes a page with a sentence, never a trace."""

    def page(status: HTTPStatus, text: str) -> Response:
        content = {"title": _title(status), "text": text}
        return desk.bare("refusal.html", content, status=status)

    @app.exception_handler(NotSignedInError)
    def _sign_in(request: Request, error: Exception) -> Response:
        if request.method == "GET" and "text/html" in request.headers.get("accept", ""):
            if isinstance(error, OwingError):
                return see("/sign-in/step")
            return see(f"/sign-in?next={quote(request.url.path)}")
        if "text/html" in request.headers.get(
            "accept", ""
        ):  # a form; its page keeps what was typed
            came_from = urlsplit(request.headers.get("referer", "")).path
            return see(f"/sign-in?next={quote(came_from or '/')}")
        return PlainTextResponse(f"{error}\n", status_code=401)

    @app.exception_handler(ForbiddenError)
    def _forbidden(request: Request, error: Exception) -> Response:
        return page(HTTPStatus.FORBIDDEN, told(error))

    @app.exception_handler(RefusedError)
    def _refused(request: Request, error: Exception) -> Response:
        return page(HTTPStatus.CONFLICT, told(error))

    @app.exception_handler(StoreError)
    def _store(request: Request, error: Exception) -> Response:
        return page(HTTPStatus.SERVICE_UNAVAILABLE, say("Nothing was done: %(why)s.", why=error))

    @app.exception_handler(RequestValidationError)
    def _unfit(request: Request, error: Exception) -> Response:
        return page(HTTPStatus.BAD_REQUEST, say("The form did not hold what was expected."))

    @app.exception_handler(OverflowError)
    def _too_large(request: Request, error: Exception) -> Response:
        return page(HTTPStatus.BAD_REQUEST, say("A number is larger than any there is."))

    @app.exception_handler(HTTPException)
    def _other(request: Request, error: Exception) -> Response:
        assert isinstance(error, HTTPException)
        return page(HTTPStatus(error.status_code), f"{error.detail}.")


def _title(status: HTTPStatus) -> str:
    """Return what heads the page of a refusal."""
    match status:
        case HTTPStatus.FORBIDDEN:
            return say("Not allowed")
        case HTTPStatus.NOT_FOUND:
            return say("Not found")
        case HTTPStatus.CONFLICT | HTTPStatus.BAD_REQUEST:
            return say("Not done")
        case HTTPStatus.SERVICE_UNAVAILABLE:
            return say("Not possible now")
    return status.phrase
