"""`hilseq serve` as it is typed."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Callable
from pathlib import Path

import pytest

HILSEQ = [sys.executable, "-m", "hilseq", "serve"]


@pytest.mark.parametrize("end", [signal.SIGINT, signal.SIGTERM])
def test_it_says_where_it_serves_and_ends_when_asked(
    runs: Path, write_whole: Callable[..., Path], end: signal.Signals
) -> None:
    write_whole("one", serial="RH-0009")
    environment = {name: value for name, value in os.environ.items() if name != "HILSEQ_TOKEN"}
    line = [*HILSEQ, "--runs", str(runs), "--port", "0"]
    with subprocess.Popen(
        line,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment | {"PYTHONUNBUFFERED": "1"},
    ) as process:
        try:
            assert process.stdout is not None
            assert process.stderr is not None
            said = process.stdout.readline()
            address = re.search(r"http://127\.0\.0\.1:\d+/", said)
            assert address, said
            with urllib.request.urlopen(address[0], timeout=20) as page:  # noqa: S310 (http, as matched)
                assert "RH-0009" in page.read().decode()
            process.send_signal(end)
            code = process.wait(20)
            assert code in ({0} if end is signal.SIGINT else {0, -end})
            assert process.stderr.read() == ""
        finally:
            process.kill()


@pytest.mark.parametrize(
    ("options", "reported"),
    [
        (["--host", "192.0.2.1"], "needs --token; make one with"),
        (["--token", "short"], "16 characters or more"),
        (["--runs", "nowhere"], "nowhere is no folder of runs"),
        (["--port", "70000"], "--port"),
    ],
)
def test_what_cannot_be_is_reported_in_words(runs: Path, options: list[str], reported: str) -> None:
    done = subprocess.run(
        [*HILSEQ, "--runs", str(runs), *options], capture_output=True, text=True, timeout=60, check=False
    )
    assert done.returncode == 2
    assert reported in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr


def test_a_missing_extra_is_reported_with_its_command(runs: Path, tmp_path: Path) -> None:
    """A machine without starlette gets one line that says what to install."""
    hide = tmp_path / "sitecustomize.py"
    hide.write_text("import sys; sys.modules['starlette'] = None")
    done = subprocess.run(
        [*HILSEQ, "--runs", str(runs)],
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
        env=os.environ | {"PYTHONPATH": str(tmp_path)},
    )
    assert done.returncode == 2
    assert "needs starlette: python -m pip install 'hilseq[serve]'" in done.stderr


def test_the_help_has_an_example() -> None:
    done = subprocess.run([*HILSEQ, "--help"], capture_output=True, text=True, timeout=60, check=True)
    assert "Example: hilseq serve" in done.stdout
