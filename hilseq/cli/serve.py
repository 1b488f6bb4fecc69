"""`hilseq serve`: the live page in a browser, read only."""

from __future__ import annotations

import contextlib
import os
from importlib.util import find_spec
from pathlib import Path
from typing import Annotated

import typer

#: How much a run on the same computer goes before this server.
_NICE = 10


def serve_command(
    *,
    runs: Annotated[Path, typer.Option("--runs", metavar="DIR", help="Folder of runs.")] = Path("runs"),
    records: Annotated[
        str | None,
        typer.Option(
            "--records",
            metavar="ADDRESS",
            help="Records for the history: a file, or postgresql+psycopg://USER@HOST/DATABASE (default: "
            "HILSEQ_RECORDS, else records.sqlite in the runs folder).",
            show_default=False,
        ),
    ] = None,
    host: Annotated[
        str,
        typer.Option(
            "--host", metavar="NAME", help="Address to serve at; any but this computer's own needs --token."
        ),
    ] = "127.0.0.1",
    port: Annotated[
        int, typer.Option("--port", metavar="N", min=0, max=65535, help="Port; 0 takes any free one.")
    ] = 8437,
    token: Annotated[
        str | None,
        typer.Option(
            "--token",
            metavar="TEXT",
            envvar="HILSEQ_TOKEN",
            show_envvar=True,
            help="What a browser must know; 16 characters or more.",
        ),
    ] = None,
) -> None:
    """Follow runs in a browser: the active ones, with live plots; reports; history. Changes nothing.

    Needs the extra `serve`. Ctrl-C ends it; runs are not affected.

    Example: hilseq serve --runs runs
    """
    from hilseq.errors import UsageError, not_installed

    missing = [name for name in ("starlette", "uvicorn") if find_spec(name) is None]
    if missing:
        raise not_installed(missing[0])
    if not runs.is_dir():
        raise UsageError(f"{runs} is no folder of runs; give the one `hilseq run` writes to (--runs)")
    _serve(runs, records, host, port, token)


def _serve(runs: Path, records: str | None, host: str, port: int, token: str | None) -> None:
    from hilseq.live.access import is_loopback
    from hilseq.live.app import Site, address_of, check_token, listen, make_server
    from hilseq.open_files import require_open_files

    check_token(host, token)
    require_open_files()
    with contextlib.suppress(OSError, AttributeError):
        os.nice(_NICE)
    listening = listen(host, port)
    server = make_server(Site(runs.resolve(), records), host, token)
    typer.echo(f"hilseq serves {runs} at {address_of(listening, host)} (read only; Ctrl-C ends it)")
    if token is not None:
        typer.echo("The first time, open it with ?token=… after the address; the browser remembers it.")
    if not is_loopback(host):
        typer.echo(
            "The connection is not encrypted: serve on a network that you trust, or behind a proxy with TLS."
        )
    with contextlib.suppress(KeyboardInterrupt):
        server.run(sockets=[listening])
    listening.close()
