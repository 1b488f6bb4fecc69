"""Recipes for CI: the container file by a linter, workflow files by the schemas that their servers publish.

Schemas: those that check-jsonschema carries (github-workflow.json of SchemaStore, ci.json of GitLab). Rules of the
container file: those of hadolint, which hold the best practices of the format's documentation.
"""

from __future__ import annotations

import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest
import yaml

from tests import warm

ROOT = Path(__file__).resolve().parents[1]
RECIPES = ROOT / ".ci" / "recipes"
WORKFLOWS = {"github-workflow.yaml": "vendor.github-workflows", "gitlab-ci.yaml": "vendor.gitlab-ci"}


def _run(*words: str, stdin: str = "", cwd: Path = ROOT) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        words, input=stdin, capture_output=True, text=True, check=False, timeout=200, cwd=cwd
    )


def test_each_recipe_is_tested() -> None:
    """No file stands there that nothing here looks at."""
    assert {path.name for path in RECIPES.iterdir() if path.is_file()} == {
        "Containerfile",
        *WORKFLOWS,
    }


@pytest.mark.parametrize(("name", "schema"), WORKFLOWS.items())
def test_a_workflow_is_what_its_server_takes(name: str, schema: str, tmp_path: Path) -> None:
    """The published schema takes the file, and refuses one with a word misspelt."""
    check = [sys.executable, "-m", "check_jsonschema", "--builtin-schema", schema]
    done = _run(*check, str(RECIPES / name))
    assert done.returncode == 0, done.stdout + done.stderr
    broken = tmp_path / name
    text = (RECIPES / name).read_text(encoding="utf-8")
    broken.write_text(text.replace("timeout", "timeouts").replace("script:", "scripts:"), encoding="utf-8")
    assert _run(*check, str(broken)).returncode == 1


def test_the_container_file_is_without_findings() -> None:
    """The linter finds nothing, and would find a version that is not pinned."""
    linter = str(Path(sys.executable).with_name("hadolint"))
    text = (RECIPES / "Containerfile").read_text(encoding="utf-8")
    done = _run(linter, "--no-color", "-", stdin=text)
    assert (done.returncode, done.stdout) == (0, "")
    assert "DL3006" in _run(linter, "--no-color", "-", stdin=text.replace(":3.11-slim-bookworm", "")).stdout


def test_the_container_is_made_of_what_is_there() -> None:
    """Each file that it copies is in the checkout, and the wheel is made of nothing else."""
    text = (RECIPES / "Containerfile").read_text(encoding="utf-8")
    copied = [name for line in re.findall(r"^COPY (.*) \S+$", text, re.MULTILINE) for name in line.split()]
    assert [name for name in copied if not (ROOT / name).exists()] == []
    build = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    needed = {"pyproject.toml", *re.findall(r'^readme = "(.+)"$', build, re.MULTILINE)}
    needed |= set(re.findall(r'^(\w+) = "hilseq/data/', build, re.MULTILINE)) | {"hilseq", "sim"}
    assert needed <= set(copied)


def _engine() -> str:
    """Return a container engine that answers; a client without its server is none."""
    for name in ("podman", "docker"):
        found = shutil.which(name)
        if found is not None and _run(found, "info").returncode == 0:
            return found
    return ""


@pytest.mark.timeout(600)
def test_the_container_says_its_version() -> None:
    """Where there is an engine: it is built, and hilseq runs in it."""
    engine = _engine()
    if not engine:
        pytest.skip("no container engine here")
    built = _run(engine, "build", "--file", ".ci/recipes/Containerfile", "--tag", "hilseq-test", ".")
    assert built.returncode == 0, built.stderr[-2000:]
    assert "hilseq" in _run(engine, "run", "--rm", "hilseq-test", "--version").stdout


def _scripts(node: Any) -> list[str]:
    """Return every text under `run`, `script` or `before_script`."""
    found: list[str] = []
    if isinstance(node, dict):
        for key, value in node.items():
            if key in ("run", "script", "before_script"):
                found += value if isinstance(value, list) else [value]
            else:
                found += _scripts(value)
    elif isinstance(node, list):
        for one in node:
            found += _scripts(one)
    return found


@pytest.mark.whole_run
@pytest.mark.parametrize("name", WORKFLOWS)
def test_its_commands_are_commands(name: str, tmp_path: Path) -> None:
    """A shell reads each script; each option of hilseq exists; what powers nothing runs on the folder of `init`."""
    scripts = _scripts(yaml.safe_load((RECIPES / name).read_text(encoding="utf-8")))
    commands = [
        command
        for script in scripts
        for command in re.findall(r"^hilseq [^|\n]*", script.replace("\\\n", " "), re.MULTILINE)
    ]
    assert len(commands) == 3
    for script in scripts:
        assert _run("bash", "-n", "-c", script).returncode == 0
    for command in commands:
        _, verb, *options = command.split()
        helped = warm.hilseq(verb, "--help", cwd=tmp_path).stdout
        assert [word for word in options if word.startswith("--") and word not in helped] == []
    assert warm.hilseq("init", "bench", cwd=tmp_path).returncode == 0
    (inspected,) = [command for command in commands if command.startswith("hilseq inspect")]
    done = warm.hilseq(*inspected.split()[1:], cwd=tmp_path)
    assert done.returncode == 0, done.stderr
