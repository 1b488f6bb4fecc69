"""The Allure report of a run, built without a network by the npm generator where it is installed."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import tempfile
from pathlib import Path

from hilseq.errors import UsageError
from hilseq.open_files import open_plain
from hilseq.reports.files import write_file
from hilseq.reports.sanitize import sanitize

RESULTS, REPORT = "allure-results", "allure-report.html"
HOW_TO_GET = "npm install -g allure"
#: Building takes about a second; a generator that hangs must not hang the bench.
_LONGEST = 120.0
#: Whatever fetches code or counts readers from elsewhere has no place in what is handed out.
_SCRIPT = re.compile(r"<script\b", re.IGNORECASE)
_SCRIPT_ENDS = re.compile(r"</script\s*>", re.IGNORECASE)
_FROM_ELSEWHERE = re.compile(r"\bsrc\s*=\s*[\"']?(?:https?:)?//", re.IGNORECASE)
_COUNTS_READERS = re.compile(r"googletagmanager|google-analytics|\bgtag\s*\(", re.IGNORECASE)


def strip_tracking(page: str) -> str:
    """Return the page without scripts that load from elsewhere or count its readers; work grows with its length."""
    kept, at = [], 0
    while (
        (begin := _SCRIPT.search(page, at))
        and (head := page.find(">", begin.end())) >= 0
        and (end := _SCRIPT_ENDS.search(page, head))
    ):
        bad = _FROM_ELSEWHERE.search(page, begin.end(), head) or _COUNTS_READERS.search(
            page, head, end.start()
        )
        kept.append(page[at : begin.start() if bad else end.end()])
        at = end.end()
    return "".join([*kept, page[at:]])


def build_allure(run_folder: Path, out: Path) -> Path:
    """Build `allure-report.html`, one file that opens from disk, and return its path.

    Raises UsageError when there are no results or no generator, with how to get them.
    """
    results = run_folder / RESULTS
    if not results.is_dir() or not any(results.iterdir()):
        raise UsageError(
            f"{run_folder} holds no {RESULTS}; run with `hilseq run ... -- --alluredir {results}`"
        )
    command = shutil.which("allure")
    if command is None:
        raise UsageError(
            f"the Allure generator is not on the PATH; get it with `{HOW_TO_GET}` (needs Node.js)"
        )
    with tempfile.TemporaryDirectory(prefix="hilseq-allure-") as scratch:
        page = _generate(command, results, Path(scratch), _title(results))
        return write_file(out / REPORT, strip_tracking(page).encode("utf-8"))


def _title(results: Path) -> str:
    """Return which units the results are of and what becomes of them, as the report's title; empty when none says."""
    names = []
    for path in sorted(results.glob("*-result.json")):
        try:
            with open_plain(path) as file:
                result = json.load(file)
        except (OSError, ValueError, RecursionError):
            continue
        if isinstance(result, dict) and str(result.get("fullName", "")).startswith("hilseq.disposition."):
            names.append(sanitize(result.get("name", "")))
    return ", ".join(names)


def _generate(command: str, results: Path, scratch: Path, title: str) -> str:
    """Return the page that the generator makes. Raises UsageError with its own words when it fails."""
    made = scratch / "report"
    arguments = [command, "awesome", "--single-file", "--output", str(made), "--group-by", "suite"]
    arguments += [f"--report-name={title}"] if title else []
    arguments.append(str(results.resolve()))
    try:
        done = subprocess.run(
            arguments,
            cwd=scratch,
            capture_output=True,
            timeout=_LONGEST,
            check=False,
            stdin=subprocess.DEVNULL,
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise UsageError(f"the Allure generator failed: {error}") from error
    pages = sorted(made.rglob("index.html"), key=lambda path: len(path.parts))
    if done.returncode != 0 or not pages:
        words = (done.stderr or done.stdout).decode("utf-8", "replace").strip()
        raise UsageError(f"the Allure generator failed: {sanitize(words[-300:]) or 'it wrote no page'}")
    return pages[0].read_text("utf-8")
