"""Who may ask the page for anything, and what may the page do in the browser?

A page on this machine is reachable by every web site the same browser has open. So, before anything else:

- the Host header must name the address the page was opened under (DNS rebinding gives another name);
- whatever changes something must come from the page itself (Origin; Sec-Fetch-Site where there is one), and a
  foreign site may at most follow a link here;
- on any other address than this machine's own, a token opens the page; it then lives in a cookie that foreign
  sites cannot send (SameSite=Strict) and scripts cannot read (HttpOnly);
- requests are small, and no file is ever taken in;
- answers carry a content security policy without inline script or style and are kept by no cache but where said.

Sources: Fetch Metadata (W3C), RFC 6265bis (SameSite), Content Security Policy Level 3 (W3C), OWASP cheat sheets
"Cross-Site Request Forgery Prevention" and "HTTP Headers".
"""

import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from urllib.parse import parse_qs, urlencode

from starlette.datastructures import Headers, MutableHeaders
from starlette.requests import cookie_parser
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MOST_BODY_BYTES = 512 * 1024
"""A large day as text and as a form; everything else is far below."""
MOST_TARGET_BYTES = 16 * 1024
COOKIE = "takewell-token"

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; media-src 'self'; "
    "connect-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
    "cache-control": "no-store",
}
_READING = ("GET", "HEAD")


@dataclass(frozen=True)
class Address:
    """Where the page is served, and the token that opens it where it is not this machine's own address."""

    hosts: frozenset[str]
    """Host headers, with port, in lower case."""
    token: str | None = None


class Guard:
    """ASGI middleware that lets through only what may come through."""

    def __init__(self, app: ASGIApp, address: Address) -> None:
        self._app = app
        self._address = address

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer, or refuse in one sentence."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        refusal = self._refusal(scope, headers)
        if refusal is not None:
            await refusal(scope, receive, _with_headers(send))
            return
        await self._app(scope, _bounded(receive), _with_headers(send))

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        if headers.get("host", "").lower() not in self._address.hosts:
            return _no(421, "This page answers only under the address it was opened with.")
        if len(scope.get("raw_path") or b"") + len(scope.get("query_string") or b"") > MOST_TARGET_BYTES:
            return _no(414, "The address is too long.")
        site = headers.get("sec-fetch-site", "same-origin")
        foreign = site not in ("same-origin", "none")
        if scope["method"] in _READING:
            if foreign and headers.get("sec-fetch-mode") != "navigate":
                return _no(403, "Another site may not read this page.")
        else:
            origin = headers.get("origin")
            own = f"{scope['scheme']}://{headers['host'].lower()}"
            if foreign or (origin is not None and origin.lower() != own):
                return _no(403, "Only this page itself may change anything.")
            if headers.get("content-type", "").startswith("multipart/"):
                return _no(415, "This page takes no files.")
            if int(_digits(headers.get("content-length"))) > MOST_BODY_BYTES:
                return _no(413, "The request is too large.")
        return self._without_token(scope, headers)

    def _without_token(self, scope: Scope, headers: Headers) -> Response | None:
        token = self._address.token
        if token is None:
            return None
        query = parse_qs(scope["query_string"].decode("ascii", "replace"))
        given = query.pop("token", [""])[0]
        if given and secrets.compare_digest(given.encode(), token.encode()):
            rest = urlencode(query, doseq=True)
            answer = RedirectResponse(f"{scope['path']}{'?' + rest if rest else ''}", status_code=303)
            answer.set_cookie(COOKIE, token, httponly=True, samesite="strict")
            return answer
        kept = cookie_parser(headers.get("cookie", "")).get(COOKIE, "")
        if secrets.compare_digest(kept.encode(), token.encode()):
            return None
        return _no(401, "Open this page with the address, token included, that the terminal shows.")


def loopback(port: int) -> frozenset[str]:
    """Return the Host headers that mean this machine."""
    return frozenset(f"{name}:{port}" for name in ("127.0.0.1", "localhost", "[::1]"))


def _no(status: int, sentence: str) -> Response:
    return PlainTextResponse(sentence + "\n", status_code=status)


def _digits(text: str | None) -> str:
    return text if text and text.isdigit() and len(text) < 16 else "0"


def _bounded(receive: Receive) -> Receive:
    """Return a receiver that cuts a body off where it grows too large, whatever its header said."""
    taken = 0

    async def take() -> Message:
        nonlocal taken
        message = await receive()
        if message["type"] == "http.request":
            taken += len(message.get("body", b""))
            if taken > MOST_BODY_BYTES:
                return {"type": "http.disconnect"}
        return message

    return take


def _with_headers(send: Send, extra: Mapping[str, str] = HEADERS) -> Send:
    async def give(message: Message) -> None:
        if message["type"] == "http.response.start":
            headers = MutableHeaders(scope=message)
            for name, value in extra.items():
                headers.setdefault(name, value)
        await send(message)

    return give
