"""A real PostgreSQL of our own for tests and benches: in a temporary folder, on a free loopback port.

Loaded by path (`runpy`), because tests are folders of files and not packages.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import pwd
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

START_SECONDS = 30.0
INSTALL = "apt-get install -y postgresql   (or the postgresql server package of your system)"
_PR_SET_PDEATHSIG = 1


def binaries() -> Path | None:
    """Return the folder of the server's programs: the newest installed version, else what PATH finds."""
    versions = sorted(
        Path("/usr/lib/postgresql").glob("*/bin/initdb"),
        key=lambda path: path.parts[-3].zfill(4),
        reverse=True,
    )
    for program in [*versions, *(Path(found) for found in [shutil.which("initdb")] if found)]:
        folder = program.resolve().parent
        if (folder / "postgres").is_file():
            return folder
    return None


def _unprivileged() -> str | None:
    """Return whom to run the server as: it refuses to be root."""
    if os.geteuid() != 0:
        return None
    for user in ("postgres", "nobody"):
        with contextlib.suppress(KeyError):
            pwd.getpwnam(user)
            return user
    raise RuntimeError("PostgreSQL does not run as root, and there is no user postgres or nobody here")


def _die_with_parent() -> None:
    """Have the kernel stop the server when the test process is killed (Linux only)."""
    if sys.platform == "linux":
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGINT)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class PostgresServer:
    """Started by `running`; `url(name)` makes a fresh database and returns its address."""

    def __init__(self, folder: Path, programs: Path, user: str | None) -> None:
        self._folder = folder
        self._programs = programs
        self._user = user
        self._process: subprocess.Popen[bytes] | None = None
        self.port = 0

    def _run_as(self) -> dict[str, object]:
        return {"user": self._user, "group": pwd.getpwnam(self._user).pw_gid} if self._user else {}

    def start(self) -> None:
        """Make the cluster and start the server; raise RuntimeError with its log when it does not come up."""
        subprocess.run(
            [
                self._programs / "initdb",
                *("-D", self._folder / "data", "-U", "hilseq", "-A", "trust", "-E", "UTF8"),
                *("--locale", "C", "--no-sync", "--no-instructions"),
            ],
            check=True,
            stdout=subprocess.DEVNULL,
            cwd=self._folder,
            timeout=START_SECONDS,
            **self._run_as(),  # type: ignore[call-overload]
        )
        deadline = time.monotonic() + START_SECONDS
        while not self._came_up(deadline):
            if time.monotonic() > deadline:
                log = (self._folder / "log").read_text(errors="replace")[-2000:]
                raise RuntimeError(f"PostgreSQL did not answer within {START_SECONDS:g} s; its log:\n{log}")

    def _came_up(self, deadline: float) -> bool:
        """Start on a free port and wait; False when the port was taken in the meantime."""
        import psycopg

        self.port = _free_port()
        with (self._folder / "log").open("ab") as log:
            self._process = subprocess.Popen(
                [
                    self._programs / "postgres",
                    *("-D", self._folder / "data", "-p", str(self.port)),
                    *("-c", "listen_addresses=127.0.0.1", "-c", "unix_socket_directories="),
                    *("-c", "fsync=off", "-c", "full_page_writes=off", "-c", "max_wal_size=2GB"),
                ],
                stdout=log,
                stderr=log,
                cwd=self._folder,
                preexec_fn=_die_with_parent,  # noqa: PLW1509 - no thread is running yet that could hold a lock
                **self._run_as(),  # type: ignore[call-overload]
            )
        while time.monotonic() < deadline and self._process.poll() is None:
            with contextlib.suppress(psycopg.OperationalError):
                psycopg.connect(self._address("postgres"), connect_timeout=2).close()
                return True
            time.sleep(0.05)
        return False

    def _address(self, database: str) -> str:
        return f"postgresql://hilseq@127.0.0.1:{self.port}/{database}"

    def url(self, name: str) -> str:
        """Make an empty database and return its address as hilseq takes it."""
        import psycopg

        with psycopg.connect(self._address("postgres"), autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name}".encode())
        return f"postgresql+psycopg://hilseq@127.0.0.1:{self.port}/{name}"

    def pause(self) -> None:
        """Stop answering, as a server does whose machine hangs."""
        assert self._process is not None
        self._process.send_signal(signal.SIGSTOP)

    def stop(self) -> None:
        """Stop the server: politely, then by force."""
        if self._process is None or self._process.poll() is not None:
            return
        self._process.send_signal(signal.SIGINT)
        try:
            self._process.wait(10)
        except subprocess.TimeoutExpired:
            self._process.kill()
            self._process.wait(10)


@contextlib.contextmanager
def running() -> Iterator[PostgresServer]:
    """Run a server for as long as the context lasts; its folder is gone afterwards."""
    programs = binaries()
    if programs is None:
        raise RuntimeError(f"no PostgreSQL server on this machine; install it: {INSTALL}")
    user = _unprivileged()
    folder = Path(tempfile.mkdtemp(prefix="hilseq-postgres-"))
    try:
        if user:
            shutil.chown(folder, user)
        server = PostgresServer(folder, programs, user)
        try:
            server.start()
            yield server
        finally:
            server.stop()
    finally:
        shutil.rmtree(folder, ignore_errors=True)
