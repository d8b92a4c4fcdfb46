"""Who is let in: loopback and a token, or a password where the desk is shared; and what a browser may do with a page.

The address that the terminal shows carries a token; it is changed for a cookie, and the address bar loses it. Every
request must name a host that is ours (else a name elsewhere could be pointed at this machine), and what changes
anything must come from a page of ours and carry its mark. The cookie's secret is kept in the store, readable by its
owner alone, so that a page goes on when the desk was stopped and started again.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import os
import secrets
import time
from collections.abc import Awaitable, Callable
from contextlib import suppress
from dataclasses import dataclass, field
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

from starlette.requests import Request
from starlette.responses import HTMLResponse, RedirectResponse, Response

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'; object-src 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}
KEPT_S = 30 * 86_400  # a cookie lasts a month
WRONG_S = 1.0  # after a wrong password the next try waits
LEAST = 10  # characters of a password that a person chooses
MOST_BODY = 1_000_000  # bytes of a form
NOT_OURS = "This was sent by a page that is not the desk's own, and was not taken."
OPEN = ("/assets/",)  # look and scripts hold nothing of the store
Next = Callable[[Request], Awaitable[Response]]


@dataclass
class Doors:
    """port: of this desk. password: "" where it is not shared. names: host names besides loopback that are ours."""

    secret: bytes
    port: int
    password: str = ""
    names: frozenset[str] = frozenset()
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))
    wrong_until: float = 0.0

    @property
    def cookie_name(self) -> str:
        return f"herdbook-desk-{self.port}"  # browsers do not keep the ports of one host apart

    @property
    def _cookie(self) -> str:
        return self._made(f"cookie {self.port} {self.password}")

    @property
    def mark(self) -> str:
        """What every form of ours carries."""
        return self._made(f"form {self.port} {self.password}")

    def _made(self, what: str) -> str:
        return hmac.new(self.secret, what.encode(), hashlib.sha256).hexdigest()

    def host_is_ours(self, host: str) -> bool:
        try:
            split = urlsplit(f"//{host}")
            name, port = (split.hostname or "").lower(), split.port
        except ValueError:
            return False
        if port is not None and port != self.port:
            return False
        if name == "localhost" or name in self.names:
            return True
        with suppress(ValueError):
            address = ipaddress.ip_address(name)
            return address.is_loopback or bool(self.password)  # no name server can point an address elsewhere
        return False

    async def __call__(self, request: Request, on: Next) -> Response:
        response = await self._answer(request, on)
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        response.headers.setdefault("Cache-Control", "no-store")
        return response

    async def _answer(self, request: Request, on: Next) -> Response:
        if not self.host_is_ours(request.headers.get("host", "")):
            return plain("This address is not the desk's own. Open the address that the terminal shows.", 421)
        if request.method not in ("GET", "HEAD", "POST"):
            return plain("The desk answers GET and POST.", 405)
        if request.url.path.startswith(OPEN):
            return await on(request)
        if request.url.path == "/enter":
            return await self._enter(request)
        given = request.query_params.get("token", "")
        if given and not self.password and hmac.compare_digest(given.encode(), self.token.encode()):
            rest = "&".join(p for p in request.url.query.split("&") if not p.startswith("token="))
            return self._welcome(request.url.path + (f"?{rest}" if rest else ""))
        if not hmac.compare_digest(request.cookies.get(self.cookie_name, "").encode(), self._cookie.encode()):
            return self._closed(request)
        if request.method == "POST" and (said := self._foreign(request)):
            return plain(said, 403)
        return await on(request)

    def _foreign(self, request: Request) -> str:
        """Why a request that would change something is not taken; "" when it comes from a page of ours."""
        origin = request.headers.get("origin", "")
        site = request.headers.get("sec-fetch-site", "")
        if (origin and origin != f"http://{request.headers.get('host', '')}") or site not in ("", "same-origin"):
            return NOT_OURS
        if not hmac.compare_digest(request.headers.get("x-desk-mark", "").encode(), self.mark.encode()):
            request.state.mark_wanted = True  # then it stands in the form itself, which who reads it compares
        return ""

    def mark_fits(self, request: Request, given: str) -> bool:
        if not getattr(request.state, "mark_wanted", False):
            return True
        return hmac.compare_digest(given.encode(), self.mark.encode())

    def _welcome(self, path: str) -> Response:
        if not path.startswith("/") or path.startswith(("//", "/\\")):
            path = "/"
        response = RedirectResponse(path, 303)
        response.set_cookie(self.cookie_name, self._cookie, max_age=KEPT_S, httponly=True, samesite="lax", path="/")
        return response

    def _closed(self, request: Request) -> Response:
        if self.password:
            if request.method == "GET" and "text/html" in request.headers.get("accept", ""):
                return HTMLResponse(entrance(request.url.path + _query(request), ""), 401)
            return plain("Enter the password of this desk first: open its address in the browser.", 401)
        what = "This desk does not know this browser. Open the whole address that the terminal shows, with its token."
        return plain(what, 403)

    async def _enter(self, request: Request) -> Response:
        """The password of a shared desk."""
        if not self.password or request.method != "POST":
            return RedirectResponse("/", 303)
        fields = parse_qs((await body(request)).decode("utf-8", "replace"))
        to, given = fields.get("to", ["/"])[0], fields.get("password", [""])[0]
        if time.monotonic() < self.wrong_until:
            return HTMLResponse(entrance(to, "A wrong password was just tried. Wait a second, then try again."), 429)
        if not hmac.compare_digest(given.encode(), self.password.encode()):
            self.wrong_until = time.monotonic() + WRONG_S
            return HTMLResponse(entrance(to, "That is not the password of this desk."), 401)
        return self._welcome(to)


async def body(request: Request) -> bytes:
    """What was sent, up to MOST_BODY; empty when it is longer."""
    whole = bytearray()
    async for piece in request.stream():
        whole += piece
        if len(whole) > MOST_BODY:
            return b""
    return bytes(whole)


def _query(request: Request) -> str:
    return f"?{request.url.query}" if request.url.query else ""


def plain(text: str, status: int) -> Response:
    return Response(text + "\n", status, media_type="text/plain")


def entrance(to: str, said: str) -> str:
    """The page that asks for the password."""
    from herdbook.pipeline.desk.look import rendered

    return rendered("enter.html.j2", to=to, said=said)


def kept_secret(folder: Path) -> bytes:
    """The cookie's secret of this person in this store; made when there is none, forgotten where none can be kept."""
    user = getattr(os, "getuid", lambda: 0)()
    path = folder / f"secret-{user}"
    with suppress(OSError):
        about = path.stat()
        if about.st_size == 32 and (os.name == "nt" or (about.st_uid == user and not about.st_mode & 0o077)):
            return path.read_bytes()
    made = secrets.token_bytes(32)
    with suppress(OSError):
        folder.mkdir(mode=0o750, exist_ok=True)
        path.unlink(missing_ok=True)
        with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(made)
    return made
