"""The addresses of the live page. Everything is read; nothing is changed.

The server listens, serves until it is asked to end, and ends at once with every stream.
"""

from __future__ import annotations

import asyncio
import errno
import re
import socket
import sys
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Any

import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.exceptions import HTTPException
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import Response, StreamingResponse
from starlette.routing import Route
from uvicorn.protocols.http.h11_impl import H11Protocol

from hilseq.errors import HilseqError, UsageError, not_installed
from hilseq.live import stream
from hilseq.live.access import Access, AccessPolicy, door_for, is_loopback, page
from hilseq.live.bench_presenter import bench_reported, stands_of
from hilseq.live.follower import SIGNS as LIFE_SIGNS
from hilseq.live.follower import Found, RunsFolder
from hilseq.live.run_presenter import run_reported, shown
from hilseq.open_files import open_plain, require_open_files
from hilseq.reports.formatting import date

if TYPE_CHECKING:
    from hilseq.records.history.answer import Answer
    from hilseq.records.history.questions import Questions

#: Calibrations that end within so many days are shown.
DAYS = 30
#: Runs on one page of the list.
PER_PAGE = 50
#: Streams at one time; a browser that is refused tries again. Fewer where few files may be open: pages need some too.
MOST_STREAMS = 64
_OF_PAGES = 40
_LONGEST_REPORT = 64 << 20
_HASHES = re.compile(rb"(style|script)-src ((?: ?'sha256-[A-Za-z0-9+/]{43}=')+)[;\"]")
_STATIC = {
    "live.css": "text/css",
    "live.js": "text/javascript",
    "icon.svg": "image/svg+xml",
    "uplot/uPlot.iife.min.js": "text/javascript",
    "uplot/uPlot.min.css": "text/css",
    "uplot/LICENSE": "text/plain",
}


@dataclass(slots=True)
class Site:
    """What is served: a folder of runs and perhaps the records. `every` is the interval of looking, s."""

    runs: Path
    records: str | None = None
    every: float = 1.0
    #: Set when the server ends: streams end with it.
    closing: bool = False
    streams: int = 0


class _Pages:
    """The answers, each for one address."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.folder = RunsFolder(site.runs, site.every)

    def _found(self, request: Request) -> Found:
        found = self.folder.find(request.path_params["run"])
        if found is None:
            raise HTTPException(404, "The folder of runs holds no such run.")
        return found

    def runs(self, request: Request) -> Response:
        """Return the list: the active ones first."""
        now = stream.runs_now(self.folder)
        going = {one["key"] for one in now["running"]}
        rest = [found for found in self.folder.runs() if found.key not in going]
        rest.sort(key=lambda found: found.began, reverse=True)
        number = _number(request.query_params.get("page")) or 1
        part = rest[(number - 1) * PER_PAGE : number * PER_PAGE]
        reported = [stream.reported_of(self.folder, found) for found in part]
        return page(
            "runs",
            title="Runs",
            here="runs",
            running=now["running"],
            others=reported,
            number=number,
            pages=max(-(-len(rest) // PER_PAGE), 1),
            all=now["all"],
            ended=now["ended"],
            folder=str(self.site.runs),
            signs=LIFE_SIGNS,
            stands=shown(stands_of(self.folder)),
        )

    def bench(self, request: Request) -> Response:
        """Return the board of a stand: every slot, and who must do what next."""
        reported = bench_reported(self.folder, request.path_params["stand"])
        if reported is None:
            raise HTTPException(404, "The folder of runs holds no run of such a stand.")
        return page("bench", title=f"Stand {reported['stand']}", here="runs", reported=reported)

    async def bench_stream(self, request: Request) -> Response:
        """Return the events of a board."""
        stand = request.path_params["stand"]
        return self._reported_stream(request, "bench", lambda: bench_reported(self.folder, stand))

    def run(self, request: Request) -> Response:
        """Return the page of one run."""
        found = self._found(request)
        reported = self.folder.follow(found.folder).look(lambda one: run_reported(found, one))
        return page("run", title=reported["name"], here="runs", reported=reported)

    def report(self, request: Request) -> Response:
        """Return the report of a unit, as the run left it, in a box of its own."""
        found = self._found(request)
        number = _number(request.path_params["number"]) or 0
        reports = self.folder.follow(found.folder).look(lambda one: one.reports, samples=False)
        name = reports[number - 1] if 0 < number <= len(reports) else ""
        if not name:
            raise HTTPException(404, "This run has no report yet; its own page shows it while it is running.")
        with open_plain(found.folder / name) as file:
            content = file.read(_LONGEST_REPORT)
        return Response(
            content,
            media_type="text/html; charset=utf-8",
            headers={"Content-Security-Policy": _report_policy(content)},
        )

    async def run_stream(self, request: Request) -> Response:
        """Return the events of one run."""
        found = await run_in_threadpool(self._found, request)
        after = request.headers.get("last-event-id") or request.query_params.get("after")
        follower = self.folder.follow(found.folder)
        position = stream.position_of(after)
        return self._stream(
            request,
            lambda: stream.follow(found, follower, position, self.site.every, self._closing),
        )

    async def runs_stream(self, request: Request) -> Response:
        """Return the events of the list."""
        return self._reported_stream(request, "runs", lambda: stream.runs_now(self.folder))

    def _reported_stream(
        self, request: Request, name: str, tell: Callable[[], dict[str, Any] | None]
    ) -> Response:
        return self._stream(request, lambda: stream.follow_words(name, tell, self.site.every, self._closing))

    def _closing(self) -> bool:
        return self.site.closing

    def _stream(self, request: Request, begin: Callable[[], AsyncIterator[str]]) -> Response:
        kind = "text/event-stream"
        if request.method == "HEAD":
            return Response(media_type=kind)
        if self.site.streams >= min(MOST_STREAMS, require_open_files() - _OF_PAGES):
            raise HTTPException(503, "Too many pages are open; close some, or wait.")
        return StreamingResponse(self._counted(begin), media_type=kind, headers={"X-Accel-Buffering": "no"})

    async def _counted(self, begin: Callable[[], AsyncIterator[str]]) -> AsyncIterator[str]:
        self.site.streams += 1
        try:
            async for piece in begin():
                yield piece
        finally:
            self.site.streams -= 1

    # -- history -------------------------------------------------------------------------------------------

    def overview(self, _: Request) -> Response:
        """Return the parts in the records, and where to go from there."""
        return self._history("overview", lambda asked: asked.overview())

    def part(self, request: Request) -> Response:
        """Return the history of a part."""
        name = request.query_params.get("part", "")
        simulated = _simulated(request)
        return self._history("part", lambda asked: asked.part_and_readings(name, simulated=simulated))

    def reading(self, request: Request) -> Response:
        """Return the control charts of a reading of a part."""
        part, name, simulated = _of_reading(request)
        return self._history("answer", lambda asked: asked.reading(part, name, simulated=simulated))

    def stands(self, request: Request) -> Response:
        """Return how the stands agree about a reading of a part."""
        part, name, simulated = _of_reading(request)
        return self._history("answer", lambda asked: asked.stands(part, name, simulated=simulated))

    def gauge(self, request: Request) -> Response:
        """Return how much of the spread of a reading is the measuring."""
        part, name, simulated = _of_reading(request)
        return self._history("answer", lambda asked: asked.gauge(part, name, simulated=simulated))

    def unit(self, request: Request) -> Response:
        """Return what happened to a unit."""
        serial = request.query_params.get("serial", "").strip()
        return self._history("answer", lambda asked: asked.unit(serial))

    def retested(self, request: Request) -> Response:
        """Return the units tested until they passed."""
        return self._history("answer", lambda asked: asked.retested(simulated=_simulated(request)))

    def calibrations_due(self, request: Request) -> Response:
        """Return the instruments that are due."""
        simulated, today = _simulated(request), datetime.now(UTC).date()
        return self._history("answer", lambda asked: asked.calibrations_due(today, DAYS, simulated=simulated))

    def _history(self, template: str, ask: Callable[[Questions], Answer]) -> Response:
        """Return the records' answer to a question, or why there is none."""
        where, runs = self.site.records, self.site.runs
        try:
            from hilseq.records.database import RecordsUnreachable, RecordsUnusable, open_database
            from hilseq.records.history.answer import show
            from hilseq.records.history.questions import Questions
        except ModuleNotFoundError as error:
            return _no_records(f"{not_installed(error.name or 'sqlalchemy')}, then start again")
        try:
            with open_database(where, runs=runs, upgrade=False, create=False) as database:
                database.require_sound(thorough=False)
                answer, address = ask(Questions(database)), str(database)
        except (RecordsUnreachable, RecordsUnusable) as error:
            return _no_records(str(error))
        except HilseqError as error:
            return page("reported", 404, title="Not in the records", here="history", words=[str(error)])
        return page(
            template, title=answer.title, here="history", answer=answer, address=address, show=show, date=date
        )

    def static(self, request: Request) -> Response:
        """Return one of the few files that belong to the pages."""
        name = request.path_params["name"]
        if name not in _STATIC:
            raise HTTPException(404, "There is no such file.")
        return Response(_static(name), media_type=_STATIC[name], headers={"Cache-Control": "max-age=300"})


@cache
def _static(name: str) -> bytes:
    return resources.files("hilseq.live").joinpath("static", *name.split("/")).read_bytes()


def _number(text: str | None) -> int | None:
    """Return a number counted from 1; None for what is none, or has more digits than there are pages."""
    return int(text) if text and re.fullmatch(r"[1-9][0-9]{0,5}", text, re.ASCII) else None


def _simulated(request: Request) -> bool:
    return request.query_params.get("kind") == "simulated"


def _of_reading(request: Request) -> tuple[str, str, bool]:
    """Return part and name of a reading that is asked for, and whether simulated runs are meant."""
    asked = request.query_params
    return asked.get("part", ""), asked.get("name", ""), _simulated(request)


def _no_records(words: str) -> Response:
    return page("reported", 503, title="No records", here="history", words=[words])


def _report_policy(content: bytes) -> str:
    """Return the policy of a report: the style and scripts it names by hash, in a box without our origin.

    Whatever is in the file, it reads no page of this server, sends nothing and shows nothing from elsewhere.
    """
    named = dict(_HASHES.findall(content[:4096]))
    sources = "".join(
        f"{kind.decode()}-src {digest.decode()}; " for kind, digest in sorted(named.items(), reverse=True)
    )
    return (
        f"sandbox allow-scripts; default-src 'none'; {sources}base-uri 'none'; form-action 'none'; "
        "frame-ancestors 'none'"
    )


def _refused(_: Request, error: Exception) -> Response:
    status = error.status_code if isinstance(error, HTTPException) else 500
    words = str(error.detail) if isinstance(error, HTTPException) else ""
    known = {404: "Not found", 405: "Reading only", 503: "Not now"}
    if status == 404 and words == "Not Found":  # noqa: PLR2004 (starlette's own words)
        words = "There is no such page."
    return page(
        "reported", status, title=known.get(status, "That went wrong"), words=[words] if words else []
    )


def _failed(_: Request, error: Exception) -> Response:
    reported = f"This should not happen ({type(error).__name__}). The run is not affected."
    return page("reported", 500, title="That went wrong", words=[reported])


def make_app(site: Site, door: AccessPolicy) -> Starlette:
    """Return the application."""
    pages = _Pages(site)
    return Starlette(
        routes=[
            Route("/", pages.runs),
            Route("/stream", pages.runs_stream),
            Route("/stands/{stand}", pages.bench),
            Route("/stands/{stand}/stream", pages.bench_stream),
            Route("/runs/{run}", pages.run),
            Route("/runs/{run}/stream", pages.run_stream),
            Route("/runs/{run}/report/{number}", pages.report),
            Route("/history", pages.overview),
            Route("/history/part", pages.part),
            Route("/history/reading", pages.reading),
            Route("/history/stands", pages.stands),
            Route("/history/gauge", pages.gauge),
            Route("/history/unit", pages.unit),
            Route("/history/retested", pages.retested),
            Route("/history/calibration-due", pages.calibrations_due),
            Route("/static/{name:path}", pages.static),
        ],
        middleware=[Middleware(Access, door=door, free=frozenset(f"/static/{name}" for name in _STATIC))],
        exception_handlers={HTTPException: _refused, Exception: _failed},
    )


#: A shorter token can be guessed.
SHORTEST_TOKEN = 16
#: Time after which a connection is closed that asks nothing, s; twice that where it has asked before.
IDLE = 10.0
#: Seconds that answers under way may take when the server ends.
_PATIENCE = 3


class _Connection(H11Protocol):
    """Closes one that asks nothing, or never comes to the end of what it asks: it takes the place of others."""

    def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
        super().connection_made(transport)
        self.loop.call_later(IDLE, self._look, self.cycle)

    def _look(self, before: object) -> None:
        """Close it where nothing was asked since the last look, when it had the request `before`, or none."""
        if self.transport.is_closing():
            return
        answers = self.cycle is not None and not self.cycle.response_complete
        if self.cycle is before and not answers:
            self.transport.close()
        else:
            self.loop.call_later(IDLE, self._look, self.cycle)


class _Server(uvicorn.Server):
    """Ends the streams before it waits for what is under way."""

    def __init__(self, config: uvicorn.Config, site: Site) -> None:
        super().__init__(config)
        self._site = site
        self._reported = False

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        asyncio.get_running_loop().set_exception_handler(self._not_accepted)
        await super().startup(sockets)

    def _not_accepted(self, loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
        """Report once that connections wait because too many are open; they are taken up when others close."""
        error = context.get("exception")
        if not isinstance(error, OSError) or error.errno not in (errno.EMFILE, errno.ENFILE):
            loop.default_exception_handler(context)
        elif not self._reported:
            self._reported = True
            print("hilseq: too many connections are open; others wait until some close", file=sys.stderr)  # noqa: T201

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
        http=_Connection,
        loop="asyncio",
        timeout_graceful_shutdown=_PATIENCE,
    )
    return _Server(config, site)
