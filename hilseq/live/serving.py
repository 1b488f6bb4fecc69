"""The server: listens, serves until told to end, and ends at once with every stream."""

from __future__ import annotations

import socket

import uvicorn

from hilseq.errors import UsageError
from hilseq.live.access import door_for, is_loopback
from hilseq.live.app import Site, make_app

#: A shorter token can be guessed.
SHORTEST_TOKEN = 16
#: Seconds that answers under way may take when the server ends.
_PATIENCE = 3


class _Server(uvicorn.Server):
    """Ends the streams before it waits for what is under way."""

    def __init__(self, config: uvicorn.Config, site: Site) -> None:
        super().__init__(config)
        self._site = site

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._site.closing = True
        await super().shutdown(sockets)


def listen(host: str, port: int) -> socket.socket:
    """Return a socket that listens. Raises UsageError when the address cannot be had."""
    try:
        family, *_, address = socket.getaddrinfo(
            host, port, type=socket.SOCK_STREAM, flags=socket.AI_PASSIVE
        )[0]
        return socket.create_server(address[:2], family=family, backlog=128)
    except OSError as error:
        raise UsageError(
            f"cannot serve at {host}, port {port}: {error.strerror or error}; "
            "give another --host or --port (--port 0 takes any free one)"
        ) from None


def check_token(host: str, token: str | None) -> None:
    """Raise UsageError when this address needs a token, or a better one."""
    example = "make one with: python -c 'import secrets; print(secrets.token_urlsafe())'"
    try:
        own = is_loopback(host)
    except OSError as error:
        raise UsageError(f"--host {host}: {error.strerror or error}") from None
    if token is None and not own:
        raise UsageError(f"--host {host} can be reached from other computers and needs --token; {example}")
    if token is not None and len(token) < SHORTEST_TOKEN:
        raise UsageError(f"--token must have {SHORTEST_TOKEN} characters or more; {example}")


def address_of(listening: socket.socket, host: str) -> str:
    """Return the address to open in a browser."""
    name = socket.gethostname() if host in ("0.0.0.0", "::") else host  # noqa: S104 (compared, not bound)
    shown = f"[{name}]" if ":" in name else name
    return f"http://{shown}:{listening.getsockname()[1]}/"


def make_server(site: Site, host: str, token: str | None) -> uvicorn.Server:
    """Return a server for `listen`'s socket. It logs no address: one may hold the token."""
    config = uvicorn.Config(
        make_app(site, door_for(host, token)),
        log_level="warning",
        access_log=False,
        server_header=False,
        proxy_headers=False,
        lifespan="off",
        ws="none",
        http="h11",
        loop="asyncio",
        timeout_graceful_shutdown=_PATIENCE,
    )
    return _Server(config, site)
