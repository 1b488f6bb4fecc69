"""A distribution of somebody else: built, installed into a fresh folder, and run on real servers of its own.

Nothing in hilseq knows of it, and it imports nothing of hilseq but what the package offers.
"""

from __future__ import annotations

import ast
import json
import os
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

pytest.importorskip("can")
pytest.importorskip("hatchling")

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
OWN = [
    *sorted((HERE / "bench_extras").glob("*.py")),
    *sorted((HERE / "sequences").glob("*.py")),
    HERE / "kit_checks.py",
]
WAIT = 180.0


@dataclass(frozen=True)
class Installed:
    """A copy of the distribution, and the folder into which it is installed."""

    source: Path
    target: Path

    def run(
        self, *command: str, folder: Path, beside: Path | None = None
    ) -> subprocess.CompletedProcess[str]:
        """Run a Python program that finds the distribution, and what lies `beside` it."""
        paths = [str(path) for path in (self.target, self.source, beside) if path is not None]
        return subprocess.run(
            [sys.executable, *command],
            cwd=folder,
            env={**os.environ, "PYTHONPATH": os.pathsep.join(paths), "NO_COLOR": "1", "COLUMNS": "300"},
            capture_output=True,
            text=True,
            check=False,
            timeout=WAIT,
        )


@pytest.fixture(scope="module")
def extras(tmp_path_factory: pytest.TempPathFactory) -> Installed:
    """Build the wheel and install it; the wheel of a pure Python package is installed by unpacking it."""
    folder = tmp_path_factory.mktemp("extras")
    source, built, target = folder / "source", folder / "wheel", folder / "installed"
    shutil.copytree(
        HERE, source, ignore=shutil.ignore_patterns("__pycache__", "conftest.py", "test_distribution.py")
    )
    command = [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", str(built)]
    subprocess.run(command, cwd=source, check=True, capture_output=True, timeout=WAIT)
    (wheel,) = built.glob("*.whl")
    with zipfile.ZipFile(wheel) as packed:
        packed.extractall(target)
    shutil.rmtree(source / "bench_extras")  # what runs is what was installed
    return Installed(source, target)


@pytest.fixture
def stand(extras: Installed, tmp_path: Path) -> Iterator[Path]:
    """Return the stand file of the distribution, pointing at its running servers."""
    rig = subprocess.Popen(
        [sys.executable, str(extras.source / "rig.py")],
        env={**os.environ, "PYTHONPATH": str(extras.target)},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert rig.stdout is not None
        ports = json.loads(rig.stdout.readline())
        yield _pointing(extras, tmp_path, ports)
    finally:
        assert rig.stdin is not None
        rig.stdin.close()
        rig.wait(20)
        if rig.stdout is not None:
            rig.stdout.close()


def _pointing(extras: Installed, folder: Path, ports: dict[str, int]) -> Path:
    text = (extras.source / "stand.yaml").read_text(encoding="utf-8")
    for name, port in ports.items():
        text = text.replace(f"{{{name}}}", str(port))
    path = folder / "stand.yaml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture
def described(extras: Installed, tmp_path: Path) -> Path:
    """Return its stand file, pointing nowhere: for what looks at files only."""
    return _pointing(extras, tmp_path, {"supply": 1001, "counter": 1002, "chamber": 1003, "unit": 1004})


# -- what it is made of


@pytest.mark.parametrize("path", OWN, ids=lambda path: path.name)
def test_it_imports_nothing_but_what_hilseq_offers(path: Path) -> None:
    """`hilseq`, and `hilseq.testing` for its tests."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            found.add(str(node.module))
    assert {name for name in found if name.split(".")[0] == "hilseq"} <= {"hilseq", "hilseq.testing"}


def test_nothing_in_hilseq_knows_of_it() -> None:
    """Neither its name nor its drivers stand in any file of the product."""
    for folder in ("hilseq", "sim", "sequences", "stands"):
        for path in (ROOT / folder).rglob("*"):
            if path.suffix in (".py", ".yaml", ".md"):
                text = path.read_text(encoding="utf-8")
                assert not [
                    word for word in ("bench_extras", "bench-extras", "can-chamber", "FAN-2") if word in text
                ], path


# -- what it does


def test_its_drivers_pass_the_kit(extras: Installed) -> None:
    """As its own tests would run them."""
    done = extras.run(
        "-m",
        "pytest",
        "-q",
        "-p",
        "no:cacheprovider",
        "-c",
        os.devnull,
        "kit_checks.py",
        folder=extras.source,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "passed" in done.stdout


def test_its_unit_ships_on_its_own_stand(extras: Installed, stand: Path, tmp_path: Path) -> None:
    """Shipped sequences and its own, over its supply, its counter and its chamber; its report format lies beside."""
    out = tmp_path / "out"
    done = extras.run(
        *("-m", "hilseq", "run", str(ROOT / "sequences"), str(extras.source / "sequences")),
        *(
            "--stand",
            str(stand),
            "--unit",
            str(extras.source / "unit.yaml"),
            "--serial",
            "F1",
            "--out",
            str(out),
        ),
        folder=tmp_path,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    assert "SHIP" in done.stdout
    rows = (out / "readings.csv").read_text(encoding="utf-8").splitlines()
    (speed,) = [row for row in rows if "tachometer" in row]
    assert speed.endswith("tachometer,120,Hz,conforms")
    summary = json.loads((out / "summary.json").read_text(encoding="utf-8"))
    assert summary["units"][0]["disposition"] == "ship"


def test_a_unit_of_its_kind_does_not_ship_without_its_stage(
    extras: Installed, stand: Path, tmp_path: Path
) -> None:
    """The stage that its extension requires of profiles with a speed is missing: incomplete."""
    done = extras.run(
        *("-m", "hilseq", "run", str(ROOT / "sequences"), "--stand", str(stand)),
        *("--unit", str(extras.source / "unit.yaml"), "--serial", "F1", "--out", str(tmp_path / "out")),
        folder=tmp_path,
    )
    assert done.returncode == 3, done.stdout + done.stderr
    assert "speed" in done.stdout


def test_a_twin_says_which_drivers_it_cannot_serve(
    extras: Installed, described: Path, tmp_path: Path
) -> None:
    """By name, with the usage code; what is optional is left out without a word."""
    done = extras.run(
        *("-m", "hilseq", "run", str(extras.source / "sequences"), "--stand", str(described), "--simulate"),
        *("--unit", str(extras.source / "unit.yaml"), "--serial", "F1", "--out", str(tmp_path / "out")),
        folder=tmp_path,
    )
    assert done.returncode == 2
    assert "cannot serve supply main (blocks), io counter (counter)" in done.stderr
    assert "climate" not in done.stderr


# -- drivers that are not right


def _inspected(extras: Installed, stand: Path, beside: Path | None = None) -> tuple[int, str]:
    unit = str(extras.source / "unit.yaml")
    done = extras.run("-m", "hilseq", "inspect", str(stand), unit, folder=stand.parent, beside=beside)
    assert "Traceback" not in done.stderr
    return done.returncode, done.stderr


def _distribution(folder: Path, name: str, group: str, entry: str) -> None:
    info = folder / f"{name.replace('-', '_')}-1.0.dist-info"
    info.mkdir(parents=True)
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {name}\nVersion: 1.0\n", encoding="utf-8")
    (info / "entry_points.txt").write_text(f"[{group}]\n{entry}\n", encoding="utf-8")


def test_its_stand_is_sound(extras: Installed, described: Path) -> None:
    """Foreign keys and addresses are checked by the foreign models, without any instrument."""
    assert _inspected(extras, described) == (0, "")


@pytest.mark.parametrize(
    ("written", "instead", "place", "words"),
    [
        (
            "channel: 1",
            "chanel: 1",
            "chanel",
            ["the key `chanel` is not known in `tachometer`", "did you mean 'channel'?"],
        ),
        ("channel: 1", "channel: 3", "3", ["'3' is out of range", "at most 2"]),
        ("driver: counter", "driver: countr", "countr", ["no driver 'countr'", "did you mean 'counter'?"]),
        (
            "address: 127.0.0.1:1001",
            "address: 127.0.0.1",
            "127.0.0.1\n",
            ["is not a network address", "HOST:PORT"],
        ),
        ("unit: Hz", "unit: hz", "hz", ["'hz' is not a known unit", "did you mean 'Hz'?"]),
    ],
)
def test_a_slip_is_reported_with_its_place(
    extras: Installed, described: Path, *, written: str, instead: str, place: str, words: list[str]
) -> None:
    """File, line and column, what was expected, the nearest word: as for the drivers that ship."""
    text = described.read_text(encoding="utf-8").replace(written, instead)
    described.write_text(text, encoding="utf-8")
    code, reported = _inspected(extras, described)
    before = text[: text.index(instead) + instead.index(place.strip())]
    line, column = before.count("\n") + 1, len(before) - before.rfind("\n")
    assert code == 2
    assert (
        reported.startswith(f"{described}:{line}:{column}: ")
        or f"\n{described}:{line}:{column}: " in reported
    ), reported
    assert all(word in reported for word in words), reported


def test_two_distributions_with_one_name_are_refused(
    extras: Installed, described: Path, tmp_path: Path
) -> None:
    """Both are named; neither wins."""
    _distribution(
        tmp_path / "more", "other-extras", "hilseq.channels", "counter = bench_extras.counter:CounterDriver"
    )
    code, reported = _inspected(extras, described, tmp_path / "more")
    assert code == 2
    assert "bench-extras and other-extras both bring a driver 'counter'" in reported
    assert reported.count("both bring") == 1


def test_a_driver_that_cannot_be_loaded_is_reported(
    extras: Installed, described: Path, tmp_path: Path
) -> None:
    """With the key that names it, the distribution, and what went wrong; other stands do not care."""
    _distribution(tmp_path / "more", "broken-extras", "hilseq.supplies", "broken = no_such_module:Driver")
    assert _inspected(extras, described, tmp_path / "more") == (0, "")
    text = described.read_text(encoding="utf-8").replace("driver: blocks", "driver: broken")
    described.write_text(text, encoding="utf-8")
    code, reported = _inspected(extras, described, tmp_path / "more")
    assert code == 2
    assert f"{described}:5:" in reported
    assert (
        "the driver 'broken' of broken-extras cannot be loaded (ModuleNotFoundError: No module named 'no_such_module')"
        in reported
    )
