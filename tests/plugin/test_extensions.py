"""Extensions: a module with hooks adds stages, elements, report formats and readiness checks; a slip is refused."""

from __future__ import annotations

import inspect
import json
import re
import sys
import textwrap
from pathlib import Path
from typing import Any

import pytest

from hilseq import hooks
from hilseq.errors import UsageError
from hilseq.extensions import Extensions
from hilseq.reports.write import ReportFormat, write_formats
from tests import warm

ROOT = Path(__file__).parents[2]
STAND, UNIT = ROOT / "stands" / "sim-bench.yaml", ROOT / "stands" / "units" / "rh16.yaml"
VISIT = ("--stand", str(STAND), "--unit", str(UNIT), "--serial", "RH-1", "--simulate", "--out", "out")
EXTENSION = """
from hilseq import Element, ReadinessResult, ReadinessCheck, ReportFormat, Stage


def hilseq_stages():
    return [Stage("burn-in", required=lambda profile: profile.part == "RH16")]


def hilseq_elements():
    return [Element("fast_output", lambda profile: ["q02", "q05"])]


def hilseq_report_formats():
    def write(record):
        return {"verdicts.txt": "".join(f"{unit.serial} {record.final(unit)}\\n" for unit in record.units).encode()}

    def broken(record):
        raise RuntimeError("no ink")

    return [ReportFormat("verdicts", write), ReportFormat("broken", broken)]


def hilseq_readiness_checks():
    def look(bench, slot):
        yield ReadinessResult("chamber", f"chamber of slot {slot}", False, "the chamber is cold", ("chamber",))

    return [ReadinessCheck("chamber", look)]
"""
CHECKS = """
import pytest

@pytest.mark.stage("burn-in")
def test_fast(unit, fast_output):
    assert fast_output == "q02", f"{fast_output} is slow"

@pytest.mark.stage("burn-inn")
def test_slip(unit): pass
"""


def distribution(folder: Path, module: str, text: str) -> dict[str, str]:
    """Lay out what an installed distribution leaves: a module, and metadata that names it as an extension."""
    (folder / f"{module}.py").write_text(text, encoding="utf-8")
    metadata = folder / f"{module}-1.0.dist-info"
    metadata.mkdir()
    (metadata / "METADATA").write_text(
        f"Metadata-Version: 2.1\nName: {module}\nVersion: 1.0\n", encoding="utf-8"
    )
    (metadata / "entry_points.txt").write_text(f"[hilseq]\n{module} = {module}\n", encoding="utf-8")
    return {"PYTHONPATH": str(folder)}


def test_each_hook_is_documented_shown_and_called() -> None:
    """A docstring that names the caller, an example that is Python, and code that calls it."""
    names = [name for name in vars(hooks) if name.startswith("hilseq_")]
    assert names
    source = (ROOT / "hilseq" / "extensions.py").read_text(encoding="utf-8")
    for name in names:
        words = inspect.getdoc(getattr(hooks, name)) or ""
        assert "Caller: " in words
        example = textwrap.dedent(words.partition("Example:\n")[2])
        compile(example, name, "exec")
        assert f"def {name}(" in example
        (attribute,) = re.findall(rf"def (\w+)\(self\)[^@]*hooks\.{name}\)", source)
        callers = [
            path
            for path in (ROOT / "hilseq").rglob("*.py")
            if re.search(rf"xtensions(\(\))?\.{attribute}", path.read_text(encoding="utf-8"))
        ]
        assert callers, f"nobody calls {name}"


def test_a_conftest_beside_the_sequences_is_an_extension(tmp_path: Path) -> None:
    """Its stage is required, its element makes checks, its format is written, one that fails costs no verdict."""
    (tmp_path / "conftest.py").write_text(EXTENSION, encoding="utf-8")
    (tmp_path / "test_own.py").write_text(
        CHECKS.partition('@pytest.mark.stage("burn-inn")')[0], encoding="utf-8"
    )
    done = warm.hilseq("run", "test_own.py", *VISIT, cwd=tmp_path)
    assert done.returncode == 1, done.stdout + done.stderr
    summary = json.loads((tmp_path / "out" / "summary.json").read_text("ascii"))
    verdicts = {one["id"]: one["verdict"] for one in summary["units"][0]["checks"]}
    assert verdicts["test_own.py::test_fast[q02]"] == "passed"
    assert verdicts["test_own.py::test_fast[q05]"] == "failed"
    assert "stage burn-in" not in verdicts
    assert (tmp_path / "out" / "verdicts.txt").read_text("ascii") == "RH-1 repair\n"
    assert "report format 'broken' failed: RuntimeError: no ink" in done.stderr


@pytest.mark.parametrize(
    "name", ["journal.jsonl", "Summary.json", "samples-A.bin", "report-1.html", ".hidden"]
)
def test_a_format_writes_over_nothing_of_the_run(name: str, tmp_path: Path) -> None:
    """The names of a run's own files are kept for them."""
    kept = ReportFormat("greedy", lambda _record: {name: b"mine"})
    record: Any = None
    files, wrong = write_formats(record, tmp_path, [kept])
    assert not files
    assert wrong == [f"report format 'greedy': the name {name!r} is kept for the run's own files"]
    assert not list(tmp_path.iterdir())


def test_a_readiness_check_of_an_extension_is_part_of_the_set_up(tmp_path: Path) -> None:
    """What it finds wrong is a fault of the stand, by its own name."""
    (tmp_path / "conftest.py").write_text(EXTENSION, encoding="utf-8")
    shipped = (ROOT / "sequences" / "test_05_set_up.py").read_text(encoding="utf-8")
    (tmp_path / "test_05_set_up.py").write_text(shipped, encoding="utf-8")
    warm.hilseq("run", "test_05_set_up.py", *VISIT, cwd=tmp_path)
    summary = json.loads((tmp_path / "out" / "summary.json").read_text("ascii"))
    verdicts = {one["id"]: one for one in summary["units"][0]["checks"]}
    check = verdicts["test_05_set_up.py::test_further_readiness[chamber]"]
    assert check["verdict"] == "stand fault"
    assert "the chamber is cold" in check["why"]


def test_an_installed_extension_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """By its entry point alone."""
    distribution(tmp_path, "burning", EXTENSION)
    monkeypatch.syspath_prepend(tmp_path)
    found = Extensions()
    assert [stage.name for stage in found.stages] == ["burn-in"]
    assert [element.name for element in found.elements] == ["fast_output"]
    assert [check.name for check in found.readiness_checks] == ["chamber"]
    assert [form.name for form in found.report_formats] == ["verdicts", "broken"]
    sys.modules.pop("burning", None)


@pytest.mark.parametrize(
    ("module", "text", "words"),
    [
        ("slip", "def hilseq_stage(): return []",
            r"'slip': there is no hook hilseq_stage; did you mean hilseq_stages\?"),
        ("wants", "def hilseq_stages(profile): return []", "extension 'wants': .*Argument"),
        ("broken", "import no_such_module",
            r"extension 'broken' \(broken\) cannot be imported: ModuleNotFoundError"),
        ("wrong", "def hilseq_stages(): return ['burn-in']",
            "hilseq_stages returns 'burn-in'; expected a Stage"),
        ("nothing", "def hilseq_stages(): pass", "extension 'nothing': hilseq_stages fails: TypeError"),
        ("twice", "from hilseq import Stage\ndef hilseq_stages(): return [Stage('a'), Stage('a')]",
            "adds 'a', which another extension adds; rename one"),
    ],
)  # fmt: skip
def test_an_extension_that_is_wrong_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, module: str, text: str, words: str
) -> None:
    """By its name, with what was expected: a hook that is passed over in silence would be worse."""
    distribution(tmp_path, module, text)
    monkeypatch.syspath_prepend(tmp_path)
    with pytest.raises(UsageError, match=words):
        Extensions().stages  # noqa: B018 - the access is the point
    sys.modules.pop(module, None)


@pytest.mark.parametrize(
    ("conftest", "words"),
    [
        ("def hilseq_element(): return []", "there is no hook hilseq_element; did you mean hilseq_elements?"),
        (EXTENSION, ": there is no stage 'burn-inn'; did you mean 'burn-in'?"),
        (
            "from hilseq import Element\ndef hilseq_elements(): return [Element('port', list)]",
            "an extension adds the element 'port', which hilseq has already",
        ),
    ],
)
def test_a_slip_is_named_before_power(tmp_path: Path, conftest: str, words: str) -> None:
    """With exit code 2 and no journal."""
    (tmp_path / "conftest.py").write_text(conftest, encoding="utf-8")
    (tmp_path / "test_own.py").write_text(CHECKS, encoding="utf-8")
    done = warm.hilseq("run", "test_own.py", *VISIT, cwd=tmp_path)
    assert done.returncode == 2, done.stdout + done.stderr
    assert words in done.stdout + done.stderr
    assert not (tmp_path / "out" / "journal.jsonl").exists()


def test_a_readiness_check_named_like_a_shipped_one_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It would take the place of that, or be lost: the message names the extension and the name."""
    text = (
        "from hilseq import ReadinessCheck\n"
        "def hilseq_readiness_checks():\n"
        "    return [ReadinessCheck('addresses', lambda bench, slot: ())]\n"
    )
    distribution(tmp_path, "taken_name", text)
    monkeypatch.syspath_prepend(tmp_path)
    with pytest.raises(
        UsageError, match=r"extension 'taken_name': .* adds 'addresses', which hilseq has itself"
    ):
        Extensions().readiness_checks  # noqa: B018 - the access is the point
    sys.modules.pop("taken_name", None)
