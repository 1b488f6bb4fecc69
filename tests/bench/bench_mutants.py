"""Mutants: one small change at a time in the code that makes verdicts.

    python tests/bench/bench_mutants.py [TARGET ...] [--most N] [--seed S] [--out FILE] [--list]

A mutant turns a comparison, an arithmetic or logic operator, a number, `min` into `max` or the like, in a copy of the
repository; the tests near its target run there, and a mutant with which all pass has survived. A line for each says
what became of it; the rates stand at the end beside their bar. With `--out` it goes on where it was ended, and tries
again only what has survived, where tests have changed since; `--list` shows what the file holds and tries nothing.

Where the change lies in the body of a function, it is put into a process that has everything imported: a mutant costs
what its tests cost. Any other needs a process of its own.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import hashlib
import importlib
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Iterator, Sequence
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
#: Largest share of mutants that may survive.
BAR = 0.05
#: s until a mutant that makes a test endless counts as noticed.
_ENDLESS = 300.0


@dataclass(frozen=True, slots=True)
class Target:
    """What decides something: the files that are changed, and the tests that must notice."""

    files: tuple[str, ...]
    tests: tuple[str, ...]


TARGETS: dict[str, Target] = {
    "limits": Target(
        ("hilseq/analysis/limits.py",),
        ("tests/analysis/test_limits.py", "tests/analysis/test_risk.py", "tests/reports/test_risks.py"),
    ),
    "judge": Target(
        ("hilseq/plugin/judge.py",),
        ("tests/procedures/test_judging.py", "tests/procedures/test_repeats.py"),
    ),
    "uncertainty": Target(
        ("hilseq/analysis/uncertainty.py",),
        (
            "tests/analysis/test_uncertainty.py",
            "tests/analysis/test_limits.py",
            "tests/test_measured.py",
            "tests/description/test_golden_charts.py",
            "tests/procedures/test_judging.py",
        ),
    ),
    "measured": Target(
        ("hilseq/measured.py",),
        ("tests/test_measured.py", "tests/procedures/test_repeats.py", "tests/procedures/test_judging.py"),
    ),
    "classify": Target(("hilseq/plugin/classify.py",), ("tests/plugin/test_classify.py",)),
    "gates": Target(
        ("hilseq/plugin/gates.py",), ("tests/plugin/test_gates.py", "tests/procedures/test_recheck.py")
    ),
    "dispositions": Target(
        ("hilseq/verdicts.py",), ("tests/journal/test_run_state.py", "tests/plugin/test_gates.py")
    ),
    "points": Target(
        ("hilseq/procedures/points.py",),
        ("tests/procedures/test_points.py",),
    ),
    "soak numbers": Target(
        ("hilseq/analysis/counted.py", "hilseq/analysis/waveform.py", "hilseq/analysis/soak_samples.py"),
        (
            "tests/analysis/test_proportion.py",
            "tests/analysis/test_reliability.py",
            "tests/analysis/test_waveform.py",
            "tests/analysis/test_trend.py",
            "tests/analysis/test_thermal.py",
            "tests/soak/test_soak_numbers.py",
            "tests/soak/test_sample_files.py",
        ),
    ),
    "verify": Target(("hilseq/reports/verify.py",), ("tests/reports/test_verify.py",)),
}

_COMPARE: dict[type[ast.cmpop], type[ast.cmpop]] = {
    ast.Lt: ast.LtE,
    ast.LtE: ast.Lt,
    ast.Gt: ast.GtE,
    ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot,
    ast.IsNot: ast.Is,
    ast.In: ast.NotIn,
    ast.NotIn: ast.In,
}
_OPERATE: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
}
_CALL = {"min": "max", "max": "min", "all": "any", "any": "all"}


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: where, and what it turns into what.

    `function` is the qualified name of the function in whose body it lies; empty where a module, a class or a default
    is changed. `key` is what it is known by: its file and its place there.
    """

    file: str
    line: int
    before: str
    after: str
    function: str
    node: int
    way: int
    key: str

    @property
    def source(self) -> str:
        """The whole file with it."""
        tree = ast.parse((ROOT / self.file).read_text(encoding="utf-8"))
        _change(list(ast.walk(tree))[self.node], self.way)
        return ast.unparse(tree)

    def __str__(self) -> str:
        return f"{self.file}:{self.line}: {self.before}  ->  {self.after}"


def mutants(file: str) -> Iterator[Mutant]:
    """Yield every mutant of a module."""
    text = (ROOT / file).read_text(encoding="utf-8")
    parsed = ast.parse(text)
    #: What decorates a class or function decides nothing.
    plain = {id(part) for node in ast.walk(parsed) for one in _decorators(node) for part in ast.walk(one)}
    bodies = _bodies(parsed)
    for number, node in enumerate(ast.walk(parsed)):
        if id(node) in plain or not isinstance(node, ast.expr):
            continue
        for way in range(2):
            changed = deepcopy(node)
            if _change(changed, way):
                key = hashlib.sha256(f"{file}\n{text}\n{number} {way}".encode()).hexdigest()[:24]
                words = ast.unparse(node), ast.unparse(changed)
                yield Mutant(file, node.lineno, *words, bodies.get(id(node), ""), number, way, key)


def _bodies(tree: ast.AST, prefix: str = "") -> dict[int, str]:
    """Return for each node in the body of a function or method the qualified name of the outermost one."""
    found: dict[int, str] = {}
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.FunctionDef):
            found |= {id(part): prefix + node.name for each in node.body for part in ast.walk(each)}
        elif isinstance(node, ast.ClassDef):
            found |= _bodies(node, f"{prefix}{node.name}.")
    return found


def _decorators(node: ast.AST) -> list[ast.expr]:
    return node.decorator_list if isinstance(node, ast.ClassDef | ast.FunctionDef) else []


def _change(node: ast.AST, which: int) -> bool:
    """Change a node in one of at most two ways; return whether there is this way."""
    if isinstance(node, ast.Compare) and which == 0:
        node.ops[0] = _COMPARE[type(node.ops[0])]()
    elif isinstance(node, ast.BinOp) and which == 0 and type(node.op) in _OPERATE:
        node.op = _OPERATE[type(node.op)]()
    elif isinstance(node, ast.BoolOp) and which == 0:
        node.op = ast.Or() if isinstance(node.op, ast.And) else ast.And()
    elif isinstance(node, ast.IfExp) and which == 0:
        node.body, node.orelse = node.orelse, node.body
    elif isinstance(node, ast.UnaryOp) and which == 0 and isinstance(node.op, ast.USub):
        node.op = ast.UAdd()
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        if which:
            return False
        node.value = not node.value
    elif isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        node.value = node.value + 1 if which else node.value * 2
        return bool(which) or node.value != 0
    elif (
        isinstance(node, ast.Call)
        and which == 0
        and isinstance(node.func, ast.Name)
        and node.func.id in _CALL
    ):
        node.func.id = _CALL[node.func.id]
    else:
        return False
    return True


# -- trying one -----------------------------------------------------------------------------------------


class Copy:
    """A copy of the repository, imported, in which one file at a time is changed."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        for part in ("hilseq", "sim", "sequences", "stands", "tests"):
            shutil.copytree(ROOT / part, folder / part)  # compiled files keep their times, and count here too
        for name in ("pyproject.toml", "README.md", "DEVELOPERS.md", "CHANGELOG.md"):
            shutil.copy(ROOT / name, folder / name)
        ours = [str(folder), str(folder / "sim")]
        sys.path[:0] = ours
        os.environ["PYTHONPATH"] = os.pathsep.join(ours)
        sys.dont_write_bytecode = True
        os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
        os.chdir(folder)
        for name in ("pytest", "hypothesis", "numpy", "scipy.special", "hilseq.plugin.fixtures"):
            importlib.import_module(name)
        for name in ("hilseq.plugin.hooks", "hilseq.reports.write", "hilseq.cli.main", "hilseq.cli.run"):
            importlib.import_module(name)

    def passes(self, tests: Sequence[str], mutant: Mutant | None) -> bool:
        """Return whether all of these tests pass with a mutant, or without one."""
        if mutant is None:
            return self._run(tests, None)
        path = self._folder / mutant.file
        kept = path.read_bytes()
        path.write_text(mutant.source, encoding="utf-8")
        # A compiled file is known by time, to the second, and size: it could be taken for the mutant's.
        for compiled in (path.parent / "__pycache__").glob(f"{path.stem}.*"):
            compiled.unlink()
        try:
            return self._run(tests, mutant)
        finally:
            path.write_bytes(kept)

    def _run(self, tests: Sequence[str], mutant: Mutant | None) -> bool:
        line = [
            "-x",
            "-q",
            "-p",
            "no:cacheprovider",
            "-W",
            "ignore::pytest.PytestAssertRewriteWarning",
            *tests,
        ]
        child = os.fork()
        if child == 0:
            os.setsid()
            null = os.open(os.devnull, os.O_RDWR)
            for stream in (0, 1, 2):
                os.dup2(null, stream)
            if mutant is not None and not _swapped(mutant):
                os.execv(sys.executable, [sys.executable, "-m", "pytest", *line])  # noqa: S606
            import pytest

            code: int = 70
            with contextlib.suppress(BaseException):
                code = int(pytest.main(line))
            os._exit(code)
        ends = time.monotonic() + _ENDLESS
        while time.monotonic() < ends:
            done, status = os.waitpid(child, os.WNOHANG)
            if done:
                with contextlib.suppress(ProcessLookupError):  # what it left behind
                    os.killpg(child, signal.SIGKILL)
                return os.waitstatus_to_exitcode(status) == 0
            time.sleep(0.02)
        os.killpg(child, signal.SIGKILL)
        os.waitpid(child, 0)
        return False


def _swapped(mutant: Mutant) -> bool:
    """Give the function of a mutant its new body in this process; tell whether that could be done."""
    if not mutant.function:
        return False
    module = importlib.import_module(mutant.file.removesuffix(".py").replace("/", "."))
    found: Any = module
    for name in mutant.function.split("."):
        found = found.__dict__.get(name)
        while found is not None and not isinstance(found, FunctionType | type):
            found = next(
                (inner for name in ("fget", "__func__", "__wrapped__", "func")
                 if (inner := getattr(found, name, None)) is not None), None
            )  # fmt: skip
        if found is None:
            return False
    while isinstance(found, FunctionType) and "__wrapped__" in found.__dict__:
        found = found.__dict__["__wrapped__"]
    codes = [
        code
        for code in _codes(compile(mutant.source, module.__file__ or "", "exec"))
        if code.co_qualname == mutant.function
    ]
    if not isinstance(found, FunctionType) or len(codes) != 1:
        return False
    try:
        found.__code__ = codes[0]
    except ValueError:  # it closes over other names now
        return False
    return True


def _codes(code: CodeType) -> Iterator[CodeType]:
    yield code
    for constant in code.co_consts:
        if isinstance(constant, CodeType):
            yield from _codes(constant)


# -- what is known --------------------------------------------------------------------------------------


class Known:
    """What became of mutants, by their key; kept in a file of lines where there is one."""

    def __init__(self, path: Path | None) -> None:
        self._path = path
        self._rows: dict[str, dict[str, Any]] = {}
        if path is not None and path.exists():
            for line in path.read_text(encoding="utf-8").splitlines():
                row = json.loads(line)
                self._rows[row["key"]] = row

    def survived(self, mutant: Mutant, tests: str) -> bool | None:
        """Tell what is known; None where nothing is, or where it survived other tests than these."""
        row = self._rows.get(mutant.key)
        if row is None or (row["survived"] and tests not in ("", row["tests"])):
            return None
        return bool(row["survived"])

    def note(self, mutant: Mutant, tests: str, *, survived: bool) -> None:
        """Keep what became of one."""
        row = {"key": mutant.key, "mutant": str(mutant), "tests": tests, "survived": survived}
        self._rows[mutant.key] = row
        if self._path is not None:
            with self._path.open("a", encoding="utf-8") as file:
                file.write(json.dumps(row) + "\n")


def _digest(tests: Sequence[str]) -> str:
    """Return what these tests are known by."""
    read = b"".join((ROOT / name.partition("::")[0]).read_bytes() for name in tests)
    return hashlib.sha256(read).hexdigest()[:24]


def drawn(name: str, *, most: int, seed: int) -> list[Mutant]:
    """Return the mutants of a target, or as many as asked for, in the order of its lines."""
    found = [mutant for file in TARGETS[name].files for mutant in mutants(file)]
    tried = found if len(found) <= most else random.Random(f"{seed}/{name}").sample(found, most)
    return sorted(tried, key=lambda one: (one.file, one.line))


def try_all(copy: Copy, name: str, tried: Sequence[Mutant], known: Known) -> None:
    """Try what is not known yet of the mutants of a target."""
    tests = TARGETS[name].tests
    digest = _digest(tests)
    left = [mutant for mutant in tried if known.survived(mutant, digest) is None]
    if not left:
        return
    begun = time.monotonic()
    if not copy.passes(tests, None):
        raise SystemExit(f"{name}: its tests fail without any mutant")
    print(f"{name}: {len(left)} to try, tests {time.monotonic() - begun:.1f} s", flush=True)
    for number, mutant in enumerate(left, 1):
        survived = copy.passes(tests, mutant)
        known.note(mutant, digest, survived=survived)
        print(f"  {number} of {len(left)} {'SURVIVED' if survived else 'noticed'} {mutant}", flush=True)


def main() -> int:
    """Try the targets; return 1 when more than the bar survive of any."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument(
        "targets", nargs="*", metavar="TARGET", help=f"of {', '.join(TARGETS)} (default: all)"
    )
    parser.add_argument("--most", type=int, default=10**6, metavar="N", help="mutants drawn of each target")
    parser.add_argument("--seed", type=int, default=0, metavar="S", help="of that draw")
    parser.add_argument("--out", type=Path, metavar="FILE", help="what became of each, to go on from")
    parser.add_argument("--list", action="store_true", help="show what the file holds, and try nothing")
    options = parser.parse_args()
    unknown = [name for name in options.targets if name not in TARGETS]
    if unknown:
        parser.error(f"there is no target {unknown[0]!r}; there are {', '.join(TARGETS)}")
    known = Known(options.out.absolute() if options.out else None)
    names = options.targets or list(TARGETS)
    mine = {name: drawn(name, most=options.most, seed=options.seed) for name in names}
    if not options.list:
        with tempfile.TemporaryDirectory(prefix="hilseq-mutants-") as folder:
            copy = Copy(Path(folder))
            for name in names:
                try_all(copy, name, mine[name], known)
    worst = 0.0
    for name in names:
        found = {mutant: known.survived(mutant, "") for mutant in mine[name]}
        tried = [mutant for mutant, survived in found.items() if survived is not None]
        left = [mutant for mutant in tried if found[mutant]]
        rate = len(left) / max(len(tried), 1)
        worst = max(worst, rate)
        print(f"{name}: {len(left)} of {len(tried)} survive ({rate:.1%}, at most {BAR:.0%})", flush=True)
        for mutant in left:
            print(f"  {mutant}", flush=True)
    return 1 if worst > BAR else 0


if __name__ == "__main__":
    sys.exit(main())
