"""Nothing beside a visit stops it, and nothing in a folder is believed or run because it stands there."""

from __future__ import annotations

import ast
import json
import resource
import shutil
import sqlite3
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

import hilseq
from hilseq.description.loading import read_profile
from hilseq.errors import UsageError
from hilseq.journal.chain import GENESIS, seal
from hilseq.journal.reader import read_journal
from hilseq.open_files import require_open_files
from hilseq.records.database import address, open_database, set_aside
from tests import warm
from tests.end_to_end.conftest import ROOT, STANDS

DATA = ROOT / "tests" / "data" / "journals-v0"


#: Modules that a run, its guard and its twin import, as files in the folder where somebody works.
HOSTILE_MODULES = (
    "serial",
    "yaml",
    "pymodbus",
    "pyvisa",
    "pydantic",
    "numpy",
    "random",
    "selectors",
    "hilseq_sim",
)


def test_a_damaged_database_takes_no_verdict_with_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """One line; `records rebuild` sets the file aside and makes it anew. No module of the working folder runs."""
    for module in HOSTILE_MODULES:
        deed = f"import pathlib; pathlib.Path(r'{tmp_path}', 'owned-{module}').touch(); raise SystemExit(9)"
        (tmp_path / f"{module}.py").write_text(deed, encoding="utf-8")
    records = tmp_path / "records.sqlite"
    records.write_bytes(b"SQLite format 3\0" + b"\xff" * 5000)
    monkeypatch.setenv("HILSEQ_RECORDS", str(records))
    line = [
        sys.executable,
        "-P",  # as the installed command does
        "-m",
        "hilseq",
        "run",
        str(ROOT / "sequences" / "test_20_identity.py"),
        "--simulate",
    ]
    line += [
        "--stand",
        str(ROOT / "stands" / "sim-bench.yaml"),
        "--unit",
        str(ROOT / "stands" / "units" / "rh16.yaml"),
    ]
    line += ["--serial", "RH-000101", "--out", str(tmp_path / "run")]
    done = subprocess.run(line, capture_output=True, text=True, check=False, cwd=tmp_path)
    assert done.returncode == 3, done.stdout + done.stderr
    assert "the records do not have this run yet: " in done.stderr
    assert "hilseq records rebuild" in done.stderr
    assert "Traceback" not in done.stderr
    assert not list(tmp_path.glob("owned-*"))
    rebuilt = warm.hilseq("records", "rebuild", "--runs", str(tmp_path), cwd=tmp_path)
    assert rebuilt.returncode == 0, rebuilt.stderr
    assert "set aside as" in rebuilt.stderr
    assert sqlite3.connect(records).execute("select count(*) from runs").fetchone() == (1,)
    assert list(tmp_path.glob("records.sqlite.aside-*"))


@pytest.mark.parametrize(
    "where", ["postgresql://u:secret@h:x/d", "bogus+://u:secret@h/d", "mysql://u:secret@h/d"]
)
def test_no_password_is_reported(where: str) -> None:
    with pytest.raises(UsageError) as refused:
        address(where)
    assert "secret" not in str(refused.value)


def test_only_a_file_is_set_aside(tmp_path: Path) -> None:
    assert set_aside(tmp_path / "none.sqlite") is None
    with pytest.raises(UsageError, match="is no file that could be set aside"):
        set_aside("postgresql://u:secret@h/d")
    open_database(tmp_path / "some.sqlite").close()
    aside = set_aside(tmp_path / "some.sqlite")
    assert aside is not None
    assert aside.is_file()


def test_numbers_of_any_length_are_read_at_once(tmp_path: Path) -> None:
    """40,000 digits: a message, and not a minute."""
    text = (STANDS / "units" / "rh16.yaml").read_text(encoding="utf-8")
    path = tmp_path / "unit.yaml"
    for digits in ("9" * 40_000, "9" * 40_000 + "e", "1:" * 20_000 + "x"):
        path.write_text(text.replace("address: 3}", f"address: {digits}}}", 1), encoding="utf-8")
        assert read_profile(path).problems


def _rewritten(run: Path, **changed: Any) -> None:
    """Write a run's journal anew with another first line, chained as a run does it."""
    lines = [json.loads(line) for line in (run / "journal.jsonl").read_text("ascii").splitlines()]
    chain, out = GENESIS, []
    for number, line in enumerate(lines):
        plain = {key: value for key, value in line.items() if key not in ("n", "chain")}
        sealed, chain = seal(number, plain | (changed if not number else {}), chain)
        out.append(sealed)
    (run / "journal.jsonl").write_bytes(b"".join(out))
    assert read_journal(run).broken == ""


def _resumed(run: Path) -> subprocess.CompletedProcess[str]:
    line = [sys.executable, "-m", "hilseq", "resume", str(run)]
    return subprocess.run(line, capture_output=True, text=True, check=False, cwd=run.parent)


@pytest.mark.parametrize(
    ("name", "reported"),
    [
        ("../../evil.yaml", "is no plain file name"),
        ("/tmp/evil.yaml", "is no plain file name"),
        ("stand.yaml", "is not the one whose hash is noted"),
    ],
)
def test_a_folder_is_not_believed(tmp_path: Path, name: str, reported: str) -> None:
    """A journal writes no file outside its scratch folder, and no text that is not the one it was given."""
    run = Path(shutil.copytree(DATA / "interrupted", tmp_path / "run"))
    first = json.loads((run / "journal.jsonl").read_text("ascii").splitlines()[0])
    inputs = [dict(one) for one in first["inputs"]]
    inputs[0] |= {"name": name, "text": inputs[0]["text"] + "\n"}
    _rewritten(run, inputs=inputs)
    done = _resumed(run)
    assert done.returncode == 2, done.stderr
    assert reported in done.stderr
    assert not list(tmp_path.rglob("evil.yaml"))


def test_sequences_of_a_journal_run_only_where_this_stand_has_signed_them(tmp_path: Path) -> None:
    """A journal from elsewhere may hold any Python: what is not there as a file, or signed here, is not run."""
    run = Path(shutil.copytree(DATA / "interrupted", tmp_path / "run"))
    done = _resumed(run)
    assert done.returncode == 2
    assert "this stand has not signed the copy in the journal" in done.stderr


def test_no_helper_process_imports_from_the_working_folder() -> None:
    """A `serial.py` or `yaml.py` in the folder where somebody works is not run: every start of Python has `-P`."""
    starts = []
    for path in Path(hilseq.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.List) and any("sys.executable" in ast.unparse(one) for one in node.elts):
                words = [one.value for one in node.elts if isinstance(one, ast.Constant)]
                starts.append((path.name, words))
    assert len(starts) >= 5
    assert [start for start in starts if "-P" not in start[1]] == []


@pytest.mark.parametrize(
    "command",
    [
        [
            "run",
            "--simulate",
            "--serial=1",
            f"--stand={STANDS}/sim-bench.yaml",
            f"--unit={STANDS}/units/rh16.yaml",
        ],
        ["serve", "--port", "0"],
    ],
    ids=["run", "serve"],
)
def test_too_few_open_files_are_reported_before_anything_begins(tmp_path: Path, command: list[str]) -> None:
    """A limit that can be raised is raised; one that cannot is named, and nothing was powered."""
    (tmp_path / "runs").mkdir()
    lowered = "import resource, sys; from hilseq.cli.main import main; "
    lowered += "resource.setrlimit(resource.RLIMIT_NOFILE, (24, 24)); sys.argv[0] = 'hilseq'; main()"
    line = [sys.executable, "-P", "-c", lowered, *command]
    done = subprocess.run(line, capture_output=True, text=True, check=False, cwd=tmp_path, timeout=60)
    assert (done.returncode, "24 files open, and 64 are needed" in done.stderr) == (2, True), done.stderr
    assert "Traceback" not in done.stderr
    assert list((tmp_path / "runs").iterdir()) == []


def test_a_low_limit_of_open_files_is_raised() -> None:
    before = resource.getrlimit(resource.RLIMIT_NOFILE)
    try:
        resource.setrlimit(resource.RLIMIT_NOFILE, (32, before[1]))
        assert [require_open_files(), require_open_files()] == [64, 64]
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, before)
