"""Mutants: one small change at a time in the code that makes verdicts.

    python tests/bench/bench_mutants.py [TARGET ...] [--most N] [--seed S]

A mutant turns a comparison, an arithmetic or logic operator, a number, `min` into `max` or the like, in a copy of the
repository; the tests near its target run there, and a mutant with which all pass has survived. Prints the survivors
with file, line and change, and their rate beside its bar. For a quiet machine; `--most` draws so many of each target.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
#: Largest share of mutants that may survive.
BAR = 0.05
#: s until a mutant that makes a test endless counts as noticed.
_ENDLESS = 300.0
#: By what it decides: the file that is changed, and the tests that must notice.
TARGETS: dict[str, tuple[str, tuple[str, ...]]] = {
    "limits": (
        "hilseq/analysis/limits.py",
        ("tests/analysis/test_limits.py", "tests/analysis/test_risk.py", "tests/reports/test_risks.py"),
    ),
    "judge": (
        "hilseq/plugin/judge.py",
        ("tests/procedures/test_judging.py", "tests/procedures/test_repeats.py"),
    ),
    "uncertainty": (
        "hilseq/analysis/uncertainty.py",
        (
            "tests/analysis/test_uncertainty.py",
            "tests/analysis/test_limits.py",
            "tests/test_measured.py",
            "tests/description/test_golden_charts.py",
            "tests/procedures/test_judging.py",
        ),
    ),
    "measured": (
        "hilseq/measured.py",
        ("tests/test_measured.py", "tests/procedures/test_repeats.py", "tests/procedures/test_judging.py"),
    ),
    "classify": ("hilseq/plugin/classify.py", ("tests/plugin/test_gates.py",)),
    "gates": ("hilseq/plugin/gates.py", ("tests/plugin/test_gates.py",)),
    "dispositions": ("hilseq/verdicts.py", ("tests/journal/test_run_state.py", "tests/plugin/test_gates.py")),
    "points": (
        "hilseq/procedures/points.py",
        ("tests/procedures/test_judging.py", "tests/procedures/test_patterns.py"),
    ),
    "soak numbers": (
        "hilseq/analysis/counted.py",
        ("tests/analysis/test_proportion.py", "tests/analysis/test_reliability.py"),
    ),
    "verify": ("hilseq/reports/verify.py", ("tests/reports/test_verify.py",)),
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
    """One change: where, what it turns into what, and the whole file with it."""

    line: int
    before: str
    after: str
    source: str


def mutants(text: str) -> Iterator[Mutant]:
    """Yield every mutant of a module."""
    parsed = ast.parse(text)
    count = sum(1 for _ in ast.walk(parsed))
    #: What decorates a class or function decides nothing.
    plain = {id(part) for node in ast.walk(parsed) for one in _decorators(node) for part in ast.walk(one)}
    skipped = {number for number, node in enumerate(ast.walk(parsed)) if id(node) in plain}
    for number in sorted(set(range(count)) - skipped):
        for which in range(2):
            tree = ast.parse(text)
            node = list(ast.walk(tree))[number]
            before = ast.unparse(node) if isinstance(node, ast.expr) else ""
            if _change(node, which):
                yield Mutant(getattr(node, "lineno", 0), before, ast.unparse(node), ast.unparse(tree))


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


def survivors(target: str, *, most: int, seed: int) -> tuple[int, list[Mutant]]:
    """Return how many mutants of a target were tried, and those that its tests did not notice."""
    file, tests = TARGETS[target]
    found = list(mutants((ROOT / file).read_text(encoding="utf-8")))
    tried = found if len(found) <= most else random.Random(f"{seed}/{target}").sample(found, most)
    with tempfile.TemporaryDirectory(prefix="hilseq-mutants-") as folder:
        copy = Path(folder)
        for part in ("hilseq", "sim", "sequences", "stands", "tests"):
            shutil.copytree(ROOT / part, copy / part, ignore=shutil.ignore_patterns("__pycache__"))
        for name in ("pyproject.toml", "conftest.py"):
            if (ROOT / name).exists():
                shutil.copy(ROOT / name, copy / name)
        if not _passes(copy, tests):
            raise SystemExit(f"{target}: its tests fail without any mutant")
        left = []
        for mutant in sorted(tried, key=lambda one: one.line):
            (copy / file).write_text(mutant.source, encoding="utf-8")
            if _passes(copy, tests):
                left.append(mutant)
        return len(tried), left


def _passes(copy: Path, tests: tuple[str, ...]) -> bool:
    environment = os.environ | {
        "PYTHONPATH": f"{copy}{os.pathsep}{copy / 'sim'}",
        "PYTHONDONTWRITEBYTECODE": "1",
    }
    line = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider", *tests]
    try:
        return (
            subprocess.run(
                line, cwd=copy, env=environment, capture_output=True, check=False, timeout=_ENDLESS
            ).returncode
            == 0
        )
    except subprocess.TimeoutExpired:
        return False


def main() -> int:
    """Try the targets; return 1 when more than the bar survive of any."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n", 1)[0])
    parser.add_argument(
        "targets", nargs="*", metavar="TARGET", help=f"of {', '.join(TARGETS)} (default: all)"
    )
    parser.add_argument("--most", type=int, default=10**6, metavar="N", help="mutants drawn of each target")
    parser.add_argument("--seed", type=int, default=0, metavar="S", help="of that draw")
    options = parser.parse_args()
    unknown = [name for name in options.targets if name not in TARGETS]
    if unknown:
        parser.error(f"there is no target {unknown[0]!r}; there are {', '.join(TARGETS)}")
    worst = 0.0
    for target in options.targets or TARGETS:
        tried, left = survivors(target, most=options.most, seed=options.seed)
        rate = len(left) / max(tried, 1)
        worst = max(worst, rate)
        print(f"{target}: {len(left)} of {tried} survive ({rate:.1%}, at most {BAR:.0%})", flush=True)
        for mutant in left:
            print(f"  {TARGETS[target][0]}:{mutant.line}: {mutant.before}  ->  {mutant.after}", flush=True)
    return 1 if worst > BAR else 0


if __name__ == "__main__":
    sys.exit(main())
