"""Who may ask, what for, and what a browser may do with the answer.

Reading only; under a name of this server only, so that no other site's name can be bent to it; with the token
where one is set; and every answer carries a policy that lets a browser load nothing from elsewhere.

Of the pages' templates, every expression is made visible and escaped, whatever it holds.
"""

from __future__ import annotations

import hashlib
import hmac
import ipaddress
import re
import socket
from dataclasses import dataclass
from functools import cache
from http.cookies import CookieError, SimpleCookie
from typing import Any
from urllib.parse import parse_qsl, urlencode

import jinja2
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import HTMLResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

import hilseq
from hilseq.reports.sanitize import environment


@cache
def _environment() -> jinja2.Environment:
    made = environment("hilseq.live")
    made.globals["version"] = hilseq.__version__
    return made


def page(template: str, status: int = 200, **values: Any) -> HTMLResponse:
    """Return a page. `title` names it; `bare` leaves the way to other pages out."""
    text = _environment().get_template(f"{template}.html.j2").render({"bare": False, "here": "", **values})
    return HTMLResponse(text.encode("utf-8", "replace"), status)


#: What the pages may do. The script and the styles are files of this server, so that no markup can hold any.
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'; frame-ancestors 'none'; "
    "require-trusted-types-for 'script'; trusted-types 'none'"
)
HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=()",
}
QUERY = "token"
_HOST = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+)(?::[0-9]{1,5})?")
#: What a browser may do for so long without the token again, s.
_COOKIE_SECONDS = 30 * 24 * 3600


@dataclass(frozen=True, slots=True)
class AccessPolicy:
    """Names under which the server may be asked, and the token it wants; None for none.

    `any_address` lets any bare address pass as a name: an address cannot be bent to another one.
    """

    names: frozenset[str]
    any_address: bool = False
    token: str | None = None

    def knows(self, host: str) -> bool:
        """Return whether a Host header names this server."""
        match = _HOST.fullmatch(host)
        if match is None:
            return False
        name = match[1].strip("[]").rstrip(".").lower()
        try:
            address = ipaddress.ip_address(name)
        except ValueError:
            return name in self.names
        return self.any_address or address.is_loopback or name in self.names

    def admits(self, offered: str) -> bool:
        """Return whether this is the token; takes as long for a near miss as for a far one."""
        return self.token is not None and hmac.compare_digest(_digest(offered), _digest(self.token))

    @property
    def pass_(self) -> str:
        """What a browser keeps instead of the token; it says nothing about the token."""
        return hmac.new((self.token or "").encode("utf-8", "surrogatepass"), b"hilseq", "sha256").hexdigest()


def _digest(text: str) -> bytes:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).digest()


def is_loopback(host: str) -> bool:
    """Return whether every address that this name stands for is this computer's own. Raises OSError."""
    found = socket.getaddrinfo(host, None, type=socket.SOCK_STREAM)
    return all(ipaddress.ip_address(str(one[4][0]).partition("%")[0]).is_loopback for one in found)


def door_for(host: str, token: str | None) -> AccessPolicy:
    """Return the door of a server on this address. Raises OSError when the name stands for nothing."""
    if is_loopback(host):
        return AccessPolicy(frozenset({"localhost", host.lower()}), token=token)
    own = socket.gethostname().lower()
    names = {"localhost", host.lower(), own, f"{own}.local", socket.getfqdn().lower()}
    return AccessPolicy(frozenset(names), any_address=True, token=token)


class Access:
    """Stands before the application and lets through what may pass.

    `free` are the paths that need no token: files that are the same for everybody and say nothing of any run.
    """

    def __init__(self, app: ASGIApp, door: AccessPolicy, free: frozenset[str] = frozenset()) -> None:
        self._app = app
        self._door = door
        self._free = free

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or refuse it."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                headers.setdefault("Content-Security-Policy", POLICY)
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        answer = self._refusal(scope) or self._token_answer(scope)
        await (answer or self._app)(scope, receive, guarded)

    def _refusal(self, scope: Scope) -> Response | None:
        hosts = Headers(scope=scope).getlist("host")
        if len(hosts) != 1 or not self._door.knows(hosts[0]):
            return page(
                "reported",
                421,
                title="Not the name of this server",
                words=["Open it under the address that `hilseq serve` printed."],
                bare=True,
            )
        if scope["method"] not in ("GET", "HEAD"):
            reported = page(
                "reported", 405, title="Reading only", words=["Nothing can be changed here."], bare=True
            )
            reported.headers["Allow"] = "GET, HEAD"
            return reported
        return None

    def _token_answer(self, scope: Scope) -> Response | None:
        """Return what a request gets instead of its answer; None when it may pass."""
        door = self._door
        if door.token is None or scope["path"] in self._free:
            return None
        headers = Headers(scope=scope)
        scheme, _, bearer = headers.get("authorization", "").partition(" ")
        if scheme.lower() == "bearer" and door.admits(bearer.strip()):
            return None
        kept = _cookie(headers.get("cookie", ""), _cookie_name(scope))
        query = parse_qsl(scope["query_string"].decode("latin-1"), keep_blank_values=True)
        offered = [value for name, value in query if name == QUERY]
        passes = hmac.compare_digest(_digest(kept), _digest(door.pass_))
        if not offered and passes:
            return None
        if not any(door.admits(value) for value in offered) and not passes:
            return page(
                "token",
                401,
                title="This server wants its token",
                wrong=bool(offered or bearer),
                where=scope["path"],
                bare=True,
            )
        # The page that follows is asked for by this answer, not by whoever gave the link: a strict cookie
        # goes along, and the token is in no address any more.
        rest = urlencode([(name, value) for name, value in query if name != QUERY])
        onward = _path(scope) + (f"?{rest}" if rest else "")
        answer = page("onward", 200, title="Token accepted", onward=onward, bare=True)
        answer.set_cookie(
            _cookie_name(scope),
            door.pass_,
            max_age=_COOKIE_SECONDS,
            path="/",
            secure=scope["scheme"] == "https",
            httponly=True,
            samesite="strict",
        )
        return answer


def _path(scope: Scope) -> str:
    """Return the path as it was asked for; one that a browser would take for another server is none."""
    raw = scope.get("raw_path") or b"/"
    path = raw.decode("ascii", "replace").partition("?")[0]
    return path if re.fullmatch(r"/(?![/\\])[\w.~%!$&'()*+,;=:@/-]*", path, re.ASCII) else "/"


def _cookie_name(scope: Scope) -> str:
    """Return the name of the cookie; browsers tell servers apart by host, not by port."""
    server = scope.get("server") or ("", 0)
    return f"hilseq-{server[1]}"


def _cookie(header: str, name: str) -> str:
    try:
        morsel = SimpleCookie(header).get(name)
    except CookieError:
        return ""
    return morsel.value if morsel else ""
