"""Every command that the documents give: its options exist, and whatever can be run here is run."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from tests import warm

ROOT = Path(__file__).resolve().parents[1]
DOCUMENTS = (
    "README.md",
    "DEVELOPERS.md",
    "sequences/README.md",
    "stands/README.md",
    "stands/TOPICS.md",
    "sim/README.md",
)
_WORDS = r"(?:hilseq|python3?|bash|pytest|\.venv/bin/\w+) "
_INDENTED = re.compile(rf"^ {{4,}}({_WORDS}.*)$", re.MULTILINE)
_FENCED = re.compile(r"^```sh\n(.*?)^```$", re.MULTILINE | re.DOTALL)
_QUOTED = re.compile(rf"`({_WORDS}[^`]*)`")
#: What .ci/run does itself, from a clean copy: the README's two fenced commands, lint, and itself; what `.ci/approve`
#: writes is held against the sequences by `tests/description/test_approved_plan.py`.
BY_CI = (
    "python3 -m venv",
    "bash .ci/run",
    "bash .ci/approve",
    ".venv/bin/pytest",
    ".venv/bin/ruff",
    "pytest sequences",
)
#: What other tests run: the distribution's own (tests/distribution).
BY_TESTS = ("pytest kit_checks.py",)
KNOWN = ("hilseq ", "python tests/bench/", "python -m hilseq_sim", "dask ", *BY_CI, *BY_TESTS)
#: Programs of tests/bench and the smallest arguments that they take.
BENCHES = {
    "bench_campaign.py": ("1", "1"),
    "bench_detection.py": ("1",),
    "bench_kills.py": ("1", "0", "1"),
    "bench_looks.py": ("200",),
    "bench_modbus.py": ("1",),
    "bench_mutants.py": ("uncertainty", "--most", "1"),
    "bench_one_user.py": ("1", "1", "guard"),
    "bench_owner.py": ("20",),
    "bench_patterns.py": ("16",),
    "bench_rack.py": ("1",),
    "bench_records.py": ("--readings", "1000"),
    "bench_report.py": (),
    "bench_servers.py": ("0.05",),
    "bench_slot_kills.py": ("1", "1", "2"),
    "bench_soak.py": ("20min",),
    "bench_stand_faults.py": ("0",),
    "bench_storage.py": ("2",),
    "count_structure.py": (),
}


def commands() -> list[str]:
    """Return the commands of all documents, each once."""
    found: dict[str, None] = {}
    for document in DOCUMENTS:
        text = re.sub(r"\\\n\s*", " ", (ROOT / document).read_text(encoding="utf-8"))
        fenced = [line for block in _FENCED.findall(text) for line in block.splitlines()]
        given = (*fenced, *_INDENTED.findall(text), *_QUOTED.findall(text))
        found |= dict.fromkeys(command.strip() for command in given)
    return list(found)


HILSEQ = [command for command in commands() if command.startswith("hilseq ")]


def test_the_documents_give_commands() -> None:
    """The list is read from the documents, and what is in it is of a known kind."""
    assert len(HILSEQ) > 30
    strange = [
        command
        for command in commands()
        if not command.removeprefix('echo "3 stuck-cell" | ').startswith(KNOWN)
    ]
    assert strange == []


_helps: dict[tuple[str, ...], str] = {}


def _help_of(name: tuple[str, ...], folder: Path) -> str:
    """Return the help of a command, asked for once."""
    if name not in _helps:
        done = warm.hilseq(*name, "--help", cwd=folder)
        assert done.returncode == 0, done.stdout + done.stderr
        _helps[name] = done.stdout
    return _helps[name]


@pytest.mark.parametrize("command", HILSEQ)
def test_its_options_exist(command: str, tmp_path: Path) -> None:
    """Each command is one of hilseq's, and each option one of the command's."""
    words = shlex.split(re.sub(r"[\[\]…]", " ", command))
    groups = {"records", "history", "schema", "wiring"}
    name = words[1:3] if words[1] in groups and len(words) > 2 else words[1:2]
    reported = _help_of(tuple(name), tmp_path)
    for option in (word for word in words if word.startswith("--")):
        assert option in reported, f"{command}: {option}"


def test_each_bench_is_run() -> None:
    """Every program of tests/bench is in the table here, and every bench of the documents exists."""
    assert {path.name for path in (ROOT / "tests" / "bench").glob("*.py")} == set(BENCHES)
    benches = [command for command in commands() if command.startswith("python tests/bench/")]
    named = {name for command in benches for name in re.findall(r"\w+\.py", command)}
    assert named <= set(BENCHES)


@pytest.mark.whole_run
@pytest.mark.timeout(600)
@pytest.mark.parametrize("name", BENCHES)
def test_a_bench_prints_what_it_measured(name: str, tmp_path: Path) -> None:
    """With its smallest argument, from the root of the checkout, as the documents say."""
    line = [sys.executable, f"tests/bench/{name}", *BENCHES[name]]
    done = subprocess.run(line, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    assert re.search(r"\d", done.stdout), done.stdout
    assert tmp_path


@pytest.mark.whole_run
@pytest.mark.timeout(600)
def test_from_the_demo_to_an_own_stand(tmp_path: Path) -> None:
    """The README's own stand, command by command, as it stands there."""
    shutil.copytree(ROOT / "stands", tmp_path / "stands")

    def run(line: str, *more: str, code: int = 0) -> None:
        assert any(line in command for command in HILSEQ), line
        done = warm.hilseq(*shlex.split(line)[1:], *more, cwd=tmp_path)
        assert done.returncode == code, f"{line}\n{done.stdout}\n{done.stderr}"

    run("hilseq init my-bench")
    run("hilseq inspect my-bench/stand.yaml my-bench/unit.yaml")
    run("hilseq run --stand my-bench/stand.yaml --unit my-bench/unit.yaml --serial TRY-1 --simulate")
    files = "--stand stands/sim-bench.yaml --unit stands/units/rh16.yaml"
    line = f"hilseq run {files} --serial CI-1 --simulate --out out/good"
    # One sequence of it, incomplete therefore: that the whole visit ships, test_verdicts.py says.
    run(line, str(ROOT / "sequences" / "test_60_outputs.py"), code=3)
    made = tmp_path / "out" / "good"
    assert "CI-1" in (made / "junit.xml").read_text(encoding="utf-8")


@pytest.mark.whole_run
@pytest.mark.parametrize(
    ("line", "word"),
    [
        ("plan --stand {stand} --unit {unit}", "check"),
        ("ready --stand {stand} --unit {unit} --simulate --setup-sheet sheet.html", "ready"),
        ("inspect --words stand", "supplies"),
        ("inspect {stand} {unit}", ""),
    ],
)
def test_the_whole_job_command_by_command(line: str, word: str, tmp_path: Path) -> None:
    """What looks and powers nothing."""
    files = {"stand": ROOT / "stands" / "sim-bench.yaml", "unit": ROOT / "stands" / "units" / "rh16.yaml"}
    done = warm.hilseq(*shlex.split(line.format(**files)), cwd=tmp_path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert word in done.stdout
