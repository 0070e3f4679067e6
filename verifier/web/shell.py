"""Around every answer: headers that forbid what the page never does, and a limit on forms."""

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from verifier.web.catalogue import choose, speaking

LARGEST_FORM = 65_536
LARGEST_RULES = 1_500_000  # a rule file, and more characters than a rule set may have

POLICY = "; ".join(
    (
        "default-src 'none'",
        "style-src 'self'",
        "script-src 'self'",
        "img-src 'self'",
        "connect-src 'self'",
        "form-action 'self'",
        "base-uri 'none'",
        "frame-ancestors 'none'",
    )
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}
STRICT_TRANSPORT = {"Strict-Transport-Security": "max-age=31536000"}


class TooLargeError(Exception):
    """A form larger than any of ours."""


class Shell:
    """ASGI middleware; streams pass through it unbuffered."""

    def __init__(self, app: ASGIApp, *, secure: bool, languages: tuple[str, ...]) -> None:
        self._app = app
        self._languages = languages
        self._headers = HEADERS | (STRICT_TRANSPORT if secure else {})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        static = scope["path"].startswith("/static/")

        async def sending(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                headers.update(self._headers)
                headers["Cache-Control"] = "no-cache" if static else "no-store"
            await send(message)

        most = LARGEST_RULES if scope["path"].startswith("/rules/draft/") else LARGEST_FORM
        wished = Headers(scope=scope).get("accept-language", "")
        with speaking(choose(self._languages, wished)):
            await self._app(scope, _limited(receive, most), sending)


def _limited(receive: Receive, most: int) -> Receive:
    taken = 0

    async def receiving() -> Message:
        nonlocal taken
        message = await receive()
        taken += len(message.get("body", b""))
        if taken > most:
            raise TooLargeError
        return message

    return receiving
