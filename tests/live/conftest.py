"""Runs written by the real writers, and a real server on a free port of loopback."""

from __future__ import annotations

import http.client
import json
import math
import os
import threading
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from hilseq.analysis.limits import ReadingVerdict
from hilseq.journal.entries import CheckEnded, CheckStarted, JournalEntry, MadeSafe, Reading, RunEnded
from hilseq.journal.samples import SampleWriter, file_name
from hilseq.journal.soak_entries import SoakColumn, SoakGap
from hilseq.journal.writer import JournalWriter
from hilseq.live.app import Site, listen, make_server
from hilseq.verdicts import CheckVerdict
from tests.journals import check_planned, run_started, soak_event, soak_started, unit
from tests.standing_clock import StandingClock

COLUMNS = (
    ("supply voltage", "V", 23.0, 25.0),
    ("supply current", "A", 0.085, 0.35),
    ("unit mode", "", None, None),
    ("unit faults", "", None, None),
    ("unit temperature", "degC", None, 70.0),
    ("q01 sense", "V", None, None),
)
MODES = {"stopped": 0, "held": 1, "live": 2}
DEADLINE = 20.0


class RunStory:
    """Writes one run, step by step, as a run does."""

    def __init__(self, folder: Path, serial: str = "RH-0001", slot: str = "A", **header: Any) -> None:
        self.folder, self.serial, self.slot = folder, serial, slot
        self.clock = StandingClock()
        self.writer = JournalWriter(folder)
        self.writer.clock = self.clock
        self.samples: SampleWriter | None = None
        self.zero = 0.0
        self.events = 0
        units = header.pop("units", [unit(slot, serial, description="Remote-I/O head")])
        self.note(run_started(*units, **{"run": folder.name, "stand": "bench-2", "inputs": (), **header}))

    def note(self, entry: JournalEntry) -> None:
        self.writer.write(entry)

    def plan(self, *checks: tuple[str, str, str]) -> None:
        """Plan checks given as (stage, title, place)."""
        for stage, title, place in checks:
            known = {"sequence": stage, "stage": stage, "title": title, "place": place}
            self.note(check_planned(f"{stage}:{place}", slot=self.slot, **known))

    def begin(self, stage: str, place: str) -> None:
        self.note(CheckStarted(check=f"{stage}:{place}"))
        self.clock.sleep(1.5)

    def finish(
        self, stage: str, place: str, verdict: str = "passed", why: str = "", places: Sequence[str] = ()
    ) -> None:
        check = f"{stage}:{place}"
        said = CheckVerdict(verdict)
        self.note(CheckEnded(check=check, verdict=said, why=why, places=tuple(places), seconds=1.5))

    def check(self, stage: str, place: str, verdict: str = "passed", why: str = "") -> None:
        self.begin(stage, place)
        self.finish(stage, place, verdict, why)

    def soak(
        self,
        duration: float = 3600.0,
        *,
        period: float = 1.0,
        columns: Sequence[tuple[str, str, float | None, float | None]] = COLUMNS,
        **fields: Any,
    ) -> None:
        """Begin a soak."""
        self.zero = self.clock.now()
        names = [name for name, *_ in columns]
        self.samples = SampleWriter(self.folder / file_name(self.slot), names)
        reported = tuple(
            SoakColumn(**dict(zip(("name", "unit", "low", "high"), one, strict=True))) for one in columns
        )
        known = {"check": "soak:soak", "columns": reported, "period": period, "modes": MODES}
        plan = {"case": "unit temperature", **fields}
        self.note(soak_started(self.slot, duration, self.zero, **known, **plan))

    def sample(self, count: int = 1, *, period: float = 1.0, mode: float = 2.0, **changed: float) -> None:
        """Take samples of a unit that warms up, and put them on the disk."""
        assert self.samples is not None
        for _ in range(count):
            since = self.clock.now() - self.zero
            case = 25 + 32 * (1 - math.exp(-since / 1400)) + 0.2 * math.sin(since / 7)
            values = {
                "supply voltage": 24.0 + 0.02 * math.sin(since / 11),
                "supply current": 0.21 + 0.03 * ((since // 60) % 2) + 0.004 * math.sin(since / 3),
                "unit mode": mode,
                "unit faults": float(self.events),
                "unit temperature": case,
                "q01 sense": 23.4 * ((since // 60) % 2),
            } | changed
            self.samples.append(self.clock.now(), [values.get(name, 1.0) for name in self.samples.columns])
            self.clock.sleep(period)
        self.samples.sync()

    def event(self, what: str, place: str, text: str) -> None:
        self.events += 1
        since = self.clock.now() - self.zero
        fields = {"since": since, "case": 51.2, "what": what, "place": place, "text": text, "outputs_on": 8}
        self.note(soak_event(self.events, self.slot, **fields))

    def gap(self, seconds: float, what: str = "power cycle", *, planned: bool = True) -> None:
        start = self.clock.now() - self.zero - 1
        self.clock.sleep(seconds)
        end = self.clock.now() - self.zero
        gap = SoakGap(
            slot=self.slot, start=start, end=end, what=what, planned=planned, text="as planned", until=3600.0
        )
        self.note(gap)

    def end(self, exit_code: int = 0, *, interrupted: bool = False) -> Path:
        self.note(MadeSafe(verified=True, by="run"))
        self.note(RunEnded(exit_code=exit_code, interrupted=interrupted))
        return self.kill()

    def kill(self) -> Path:
        """Leave the files as a killed run does."""
        self.writer.close()
        if self.samples is not None:
            self.samples.close()
            self.samples = None
        return self.folder


def whole_run(folder: Path, verdict: str = "passed", *, current: float | None = None, **options: Any) -> Path:
    """Write a run that came to its end; `current` is a reading of its first check, A."""
    story = RunStory(folder, **options)
    story.plan(("power-on", "The unit is ready in time", "start"), ("outputs", "The output follows", "q01"))
    story.begin("power-on", "start")
    if current is not None:
        reported: dict[str, Any] = {
            "name": "idle current",
            "value": current,
            "unit": "A",
            "low": 0.085,
            "high": 0.135,
        }
        story.note(
            Reading(check="power-on:start", slot=story.slot, verdict=ReadingVerdict.CONFORMS, **reported)
        )
    story.finish("power-on", "start")
    story.check("outputs", "q01", verdict, "" if verdict == "passed" else "q01 stays off when commanded on")
    return story.end(0 if verdict == "passed" else 1)


def going_run(folder: Path, **options: Any) -> RunStory:
    """Begin a run that is in its soak."""
    story = RunStory(folder, **options)
    story.plan(
        ("power-on", "The unit is ready in time", "start"),
        ("outputs", "The output follows", "q01"),
        ("soak", "The unit stays in its mode under load", "soak"),
        ("disposition", "The configuration is still there", "configuration"),
    )
    story.check("power-on", "start")
    story.check("outputs", "q01")
    story.begin("soak", "soak")
    story.soak()
    return story


def make_old(folder: Path, seconds: float = 3600.0) -> None:
    """Make a run's files look as if nothing was written for so long."""
    for path in folder.iterdir():
        os.utime(path, (time.time() - seconds,) * 2)


# -- the server ---------------------------------------------------------------------------------------------


class Served:
    """A server under test, asked over plain HTTP."""

    def __init__(self, port: int) -> None:
        self.port = port
        self.address = f"http://127.0.0.1:{port}"

    def ask(
        self, path: str, method: str = "GET", headers: Mapping[str, str] | None = None
    ) -> tuple[int, Mapping[str, str], str]:
        """Return status, headers (names in lower case) and body; the path is sent as it stands."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=DEADLINE)
        try:
            connection.putrequest(method, path, skip_host="Host" in (headers or {}))
            for name, value in (headers or {}).items():
                connection.putheader(name, value)
            connection.endheaders()
            answer = connection.getresponse()
            reported = {name.lower(): value for name, value in answer.getheaders()}
            return answer.status, reported, answer.read().decode("utf-8", "replace")
        finally:
            connection.close()

    @contextmanager
    def listen(self, path: str, last: str = "") -> Iterator[Iterator[dict[str, Any]]]:
        """Open a stream; yields its events as dictionaries of `id`, `event` and `data`."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=DEADLINE)
        connection.request("GET", path, headers={"Last-Event-ID": last} if last else {})
        answer = connection.getresponse()
        assert answer.status == 200, answer.read()
        assert answer.headers["content-type"].startswith("text/event-stream")
        try:
            yield _events(answer)
        finally:
            connection.close()


def _events(answer: http.client.HTTPResponse) -> Iterator[dict[str, Any]]:
    event: dict[str, Any] = {}
    while line := answer.readline():
        words = line.decode("ascii").rstrip("\n")
        if words:
            name, _, value = words.partition(": ")
            event[name] = value
        elif "data" in event:
            yield event | {"data": json.loads(event["data"])}
            event = {}
        else:
            event = {}


class Server:
    """A server in a thread of this process."""

    def __init__(self, site: Site, port: int = 0, token: str | None = None, host: str = "127.0.0.1") -> None:
        self._socket = listen(host, port)
        self.served = Served(self._socket.getsockname()[1])
        self._server = make_server(site, host, token)
        self._thread = threading.Thread(target=self._server.run, kwargs={"sockets": [self._socket]})
        self._thread.start()
        until = time.monotonic() + DEADLINE
        while not self._server.started:
            assert self._thread.is_alive(), "the server did not start"
            assert time.monotonic() < until, "the server did not start in time"
            time.sleep(0.01)

    def stop(self) -> float:
        """End the server; return how long that took, s."""
        begun = time.monotonic()
        self._server.should_exit = True
        self._thread.join(DEADLINE)
        assert not self._thread.is_alive(), "the server did not end"
        self._socket.close()
        return time.monotonic() - begun


@pytest.fixture
def runs(tmp_path: Path) -> Path:
    """An empty folder of runs."""
    folder = tmp_path / "runs"
    folder.mkdir()
    return folder


@pytest.fixture
def serve(runs: Path) -> Iterator[Callable[..., Server]]:
    """Start servers over the folder of runs; all are stopped at the end."""
    started: list[Server] = []

    def start(*, records: str | None = None, **options: Any) -> Server:
        server = Server(Site(runs, records, every=0.1), **options)
        started.append(server)
        return server

    yield start
    for server in started:
        server.stop()


@pytest.fixture
def served(serve: Callable[..., Server]) -> Served:
    """A server over the folder of runs, on this computer, without a token."""
    return serve().served


@pytest.fixture
def begin(runs: Path) -> Iterator[Callable[..., RunStory]]:
    """Begin runs that are in their soak; what still runs at the end is killed."""
    begun: list[RunStory] = []

    def start(name: str = "20261125-080000-RH-0001", **options: Any) -> RunStory:
        begun.append(going_run(runs / name, **options))
        return begun[-1]

    yield start
    for story in begun:
        if story.samples is not None:
            story.kill()


@pytest.fixture
def write_whole(runs: Path) -> Callable[..., Path]:
    """Write runs that came to their end."""
    return lambda name, *arguments, **options: whole_run(runs / name, *arguments, **options)


@pytest.fixture
def age() -> Callable[..., None]:
    """Make a run's files look old."""
    return make_old
