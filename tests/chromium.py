"""A real Chromium with one page, driven over its debugging pipe with nothing but the standard library."""

from __future__ import annotations

import base64
import json
import os
import select
import shutil
import subprocess
import sys
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
FLAGS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
    "--remote-debugging-pipe",
]
DEADLINE = 30.0
#: Chromium wants its pipe at the numbers 3 and 4; ours are taken out of the way before they are overwritten.
_CONNECT = """
import os, sys
low, high = int(sys.argv[1]), int(sys.argv[2])
while min(low, high) <= 4:
    low, high = os.dup(low), os.dup(high)
os.dup2(low, 3)
os.dup2(high, 4)
os.execv(sys.argv[3], sys.argv[3:])
"""


class Browser:
    """One Chromium with one page, spoken to in JSON over a pipe."""

    def __init__(self, profile: Path) -> None:
        ours_in, theirs_out = os.pipe()
        theirs_in, ours_out = os.pipe()
        self._process = subprocess.Popen(
            [
                *(sys.executable, "-c", _CONNECT, str(theirs_in), str(theirs_out)),
                *(str(CHROMIUM), *FLAGS, f"--user-data-dir={profile}", "about:blank"),
            ],
            pass_fds=(theirs_in, theirs_out),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        os.close(theirs_in)
        os.close(theirs_out)
        self._in, self._out, self._rest, self._number = ours_in, ours_out, b"", 0
        self._session = ""
        self.events: list[dict[str, Any]] = []
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        self._session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        for domain in ("Page", "Network", "Runtime", "Log"):
            self.ask(f"{domain}.enable")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._process.kill()
        self._process.wait(10)
        os.close(self._in)
        os.close(self._out)

    def _message(self, until: float) -> dict[str, Any]:
        while b"\0" not in self._rest:
            ready, _, _ = select.select([self._in], [], [], max(until - time.monotonic(), 0))
            if not ready:
                raise TimeoutError("Chromium did not answer")
            piece = os.read(self._in, 1 << 20)
            if not piece:
                raise TimeoutError("Chromium went away")
            self._rest += piece
        line, _, self._rest = self._rest.partition(b"\0")
        message: dict[str, Any] = json.loads(line)
        return message

    def ask(self, method: str, **parameters: Any) -> dict[str, Any]:
        """Return the answer to one command; events on the way are kept."""
        message = self._answered(method, parameters)
        assert "error" not in message, message
        result: dict[str, Any] = message["result"]
        return result

    def _answered(self, method: str, parameters: dict[str, Any]) -> dict[str, Any]:
        self._number += 1
        command = {"id": self._number, "method": method, "params": parameters}
        if self._session:
            command["sessionId"] = self._session
        os.write(self._out, json.dumps(command).encode() + b"\0")
        until = time.monotonic() + DEADLINE
        while True:
            message = self._message(until)
            if message.get("id") == self._number:
                return message
            self.events.append(message)

    def open(self, page: Path | str, width: int, height: int = 900) -> None:
        """Open a file or an address in a window of this size and wait until it is loaded."""
        self.ask(
            "Emulation.setDeviceMetricsOverride",
            width=width,
            height=height,
            deviceScaleFactor=1,
            mobile=width < 600,
        )
        begun = len(self.events)
        self.ask("Page.navigate", url=page.as_uri() if isinstance(page, Path) else page)
        until = time.monotonic() + DEADLINE
        while not any(event.get("method") == "Page.loadEventFired" for event in self.events[begun:]):
            self.events.append(self._message(until))

    def picture(self, path: Path, *, whole: bool = False) -> Path:
        """Save what the window shows, or the whole page, as PNG."""
        shot = self.ask("Page.captureScreenshot", captureBeyondViewport=whole)
        path.write_bytes(base64.b64decode(shot["data"]))
        return path

    def value(self, expression: str) -> Any:
        """Return what an expression comes to in the page; one that loads itself anew meanwhile is asked again."""
        asked = {"expression": expression, "returnByValue": True}
        until = time.monotonic() + DEADLINE
        message = self._answered("Runtime.evaluate", asked)
        while "navigated" in message.get("error", {}).get("message", "") and time.monotonic() < until:
            message = self._answered("Runtime.evaluate", asked)
        assert "error" not in message, message
        answer = message["result"]
        assert "exceptionDetails" not in answer, answer
        return answer["result"].get("value")

    def requests(self) -> list[str]:
        """All addresses that the page asked for."""
        return [
            event["params"]["request"]["url"]
            for event in self.events
            if event.get("method") == "Network.requestWillBeSent"
        ]

    def complaints(self) -> list[str]:
        """Everything the browser logged or threw: refusals of the policy among them."""
        kinds = ("Log.entryAdded", "Runtime.exceptionThrown", "Runtime.consoleAPICalled")
        return [json.dumps(event) for event in self.events if event.get("method") in kinds]
