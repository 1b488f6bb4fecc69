"""The architecture of DEVELOPERS.md, checked on the imports themselves."""

from __future__ import annotations

import ast
import re
import sys
from fnmatch import fnmatch
from pathlib import Path

import pytest

from tests.bench.count_structure import Product

ROOT = Path(__file__).resolve().parents[1]

#: Room -> the rooms it may import from (module level and late imports alike).
FOUNDATION = {
    "quantities",
    "clock",
    "errors",
    "measured",
    "verdicts",
    "interrupts",
    "gc_tuning",
    "deadlines",
    "statements",
    "signing",
    "open_files",
}
MAY_IMPORT: dict[str, set[str]] = {
    "quantities": set(),
    "errors": set(),
    "interrupts": set(),
    "gc_tuning": set(),
    "measured": {"quantities", "analysis"},
    "verdicts": set(),
    "statements": set(),
    "signing": {"errors"},
    "open_files": {"errors"},
    "clock": set(),
    "deadlines": {"clock"},
    "stepped": {"errors", "clock", "deadlines"},
    "analysis": set(),
    "description": {"analysis", *FOUNDATION},
    "twin": {"description", *FOUNDATION},
    "resources": {"errors"},
    "hooks": {"description", "procedures", "reports"},
    "extensions": {"hooks", "procedures", "reports", *FOUNDATION},
    "instruments": {"description", "analysis", *FOUNDATION},
    "procedures": {"instruments", "description", "journal", "analysis", *FOUNDATION},
    "journal": {"analysis", *FOUNDATION},
    "reports": {"journal", "analysis", *FOUNDATION},
    "records": {"journal", "reports", "analysis", *FOUNDATION},
    # Of the description, the slots that a stand file names.
    "live": {"journal", "reports", "records", "analysis", "description", *FOUNDATION},
    # Of its tests, those that look at a driver as a stand uses it.
    "testing": {"instruments", "description", *FOUNDATION},
    "coverage": {"analysis", "journal", "plugin", "reports", "twin", *FOUNDATION},
    "lease": {"description", "journal", *FOUNDATION},
    "guard": {"lease", "procedures", "description", "journal", *FOUNDATION},
    "owner": {
        "guard",
        "lease",
        "records",
        "procedures",
        "instruments",
        "description",
        "journal",
        *FOUNDATION,
    },
    "plugin": {
        "owner",
        "procedures",
        "instruments",
        "description",
        "analysis",
        "journal",
        "reports",
        "records",
        "guard",
        "lease",
        "stepped",
        "twin",
        "resources",
        "hooks",
        "extensions",
        *FOUNDATION,
    },
}


def _imports(path: Path) -> set[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found: set[str] = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found.update(alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            found.update({node.module} | {f"{node.module}.{alias.name}" for alias in node.names})
    return found


def _rooms(names: set[str], package: str) -> set[str]:
    return {name.split(".")[1] for name in names if name.startswith(f"{package}.")}


def _files(room: str) -> list[Path]:
    folder = ROOT / "hilseq" / room
    return sorted(folder.rglob("*.py")) if folder.is_dir() else [folder.with_suffix(".py")]


@pytest.mark.parametrize("room", MAY_IMPORT)
def test_imports_run_one_way(room: str) -> None:
    """A room imports from the rooms below it, and from no other."""
    allowed = MAY_IMPORT[room] | {room, "__version__"}
    for path in _files(room):
        strangers = _rooms(_imports(path), "hilseq") - allowed
        assert not strangers, f"{path.relative_to(ROOT)} imports {sorted(strangers)}"


def test_the_simulator_knows_descriptions_only() -> None:
    """The simulator imports hilseq.description, and what that is made of, and nothing else of hilseq."""
    for path in (ROOT / "sim").rglob("*.py"):
        strangers = _rooms(_imports(path), "hilseq") - {"description", *FOUNDATION}
        assert not strangers, f"{path.relative_to(ROOT)} imports {sorted(strangers)}"


def test_hilseq_never_imports_the_simulator() -> None:
    """Hilseq reaches the simulator through its protocols only."""
    for path in (ROOT / "hilseq").rglob("*.py"):
        names = {name.split(".")[0] for name in _imports(path)}
        assert "hilseq_sim" not in names, f"{path.relative_to(ROOT)} imports the simulator"


def test_every_room_is_in_the_table() -> None:
    """A new room must say what it may import; only the command line may import everything."""
    rooms = {
        path.stem
        for path in (ROOT / "hilseq").iterdir()
        if (path.is_dir() and (path / "__init__.py").exists()) or path.suffix == ".py"
    }
    assert rooms - {"__init__", "__main__", "cli"} == set(MAY_IMPORT)


#: What the product itself does not call, and why it stays.
KEPT = {
    "hilseq.procedures.soak.states.diagram": "draws the diagram of DEVELOPERS.md from the table; a test compares",
    "hilseq_sim.servers.scpi_headers.short_form": "the rule of SCPI by which a test checks the table of headers",
}


#: Longest chain of imports, and files that one other file imports: what was reached; both may only become fewer.
DEEPEST, WITH_ONE_IMPORTER = 14, 66


@pytest.fixture(scope="module")
def product() -> Product:
    """The modules of this checkout and who imports whom."""
    return Product(ROOT)


def test_nobody_imports_in_a_circle(product: Product) -> None:
    """No group of modules imports each other, late imports included."""
    assert product.circles(late=True) == []


def test_what_was_reached_is_kept(product: Product) -> None:
    """A change is followed through few files: chains of imports stay short, a file has a meaning of its own."""
    assert len(product.longest_chain()) <= DEEPEST
    assert len(product.with_one_importer()) <= WITH_ONE_IMPORTER


def _late_imports(product: Product) -> set[tuple[str, str]]:
    """Return the late imports, but for those of the standard library: module that imports, what it imports."""
    found = {(one, of) for one, of in (line.split(" -> ") for line in product.late_imports())}
    for name, module in product.modules.items():
        for function in ast.walk(module.tree):
            if not isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef):
                continue
            for node in ast.walk(function):
                if isinstance(node, ast.Import | ast.ImportFrom):
                    named = (
                        [a.name for a in node.names] if isinstance(node, ast.Import) else [node.module or ""]
                    )
                    packages = {each.split(".")[0] for each in named} - set(sys.stdlib_module_names)
                    found |= {(name, package) for package in packages - {"hilseq", "hilseq_sim"}}
    return found


def test_each_late_import_has_its_reason(product: Product) -> None:
    """The table of DEVELOPERS.md gives the classes: no late import is of none, and no class is empty."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("## Late imports")[2]
    lines = [line for line in text.partition("\n## ")[0].splitlines() if line.startswith("| `")]
    classes = [tuple(re.findall(r"`([^`]+)`", cell) for cell in line.split("|")[1:3]) for line in lines]
    late = _late_imports(product)

    def fits(pair: tuple[str, str], importers: list[str], imported: list[str]) -> bool:
        return all(
            any(fnmatch(name, pattern) for pattern in patterns)
            for name, patterns in zip(pair, (importers, imported), strict=True)
        )

    without = [pair for pair in late if not any(fits(pair, *row) for row in classes)]
    assert without == [], "make these normal, or give their class a reason in DEVELOPERS.md"
    idle = [one for who, what in classes for one in what if not any(fits(pair, who, [one]) for pair in late)]
    assert idle == [], "nobody imports these late any more"


def test_every_public_name_is_reached(product: Product) -> None:
    """What no command, sequence, hook or open door reaches is deleted, or put to use."""
    assert set(product.unused()) == set(KEPT)


def test_a_class_name_means_one_thing(product: Product) -> None:
    """A class is found by its name alone."""
    assert product.doubled_classes() == {}


def test_the_driver_kit_says_what_is_wrong() -> None:
    """Who writes a driver reads a sentence, not the expression that failed."""
    bare = [
        f"{path.name}:{node.lineno}"
        for path in sorted((ROOT / "hilseq" / "testing").glob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Assert) and node.msg is None
    ]
    assert bare == []


def test_no_test_asserts_elapsed_time() -> None:
    """A busy machine is no defect: ratios of one run live in tests/bench, everything else has an order or a count."""
    elapsed = re.compile(r"^\s*assert .*(?:monotonic|perf_counter|time)\(\) - ", re.MULTILINE)
    guilty = [
        str(path.relative_to(ROOT))
        for path in (ROOT / "tests").rglob("*.py")
        if path.parent.name != "bench" and elapsed.search(path.read_text(encoding="utf-8"))
    ]
    assert guilty == []


def test_procedures_and_sequences_ask_the_clock() -> None:
    """A wait of theirs is one of the stand's clock, which a simulated stand sees."""
    folders = (ROOT / "hilseq" / "procedures", ROOT / "sequences")
    files = [path for folder in folders for path in folder.rglob("*.py")]
    assert [path.name for path in files if "time.sleep" in path.read_text(encoding="utf-8")] == []
