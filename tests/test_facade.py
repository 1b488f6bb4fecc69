"""`import hilseq`: one sorted list of names, true in code and in the documents, typed, and enough for a sequence."""

from __future__ import annotations

import ast
import inspect
import re
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

import hilseq

ROOT = Path(__file__).resolve().parents[1]
SEQUENCES = ROOT / "sequences"
DOCUMENTS = (
    ROOT / "README.md",
    ROOT / "DEVELOPERS.md",
    SEQUENCES / "README.md",
    ROOT / "stands" / "README.md",
    ROOT / "stands" / "TOPICS.md",
)
#: The part of the sequences' guide that lists every name.
_TITLE = "## What `import hilseq` offers"


def _type_checking_imports() -> dict[str, str]:
    """Return the names that type checkers see in the package, with the module each comes from."""
    tree = ast.parse((ROOT / "hilseq" / "__init__.py").read_text(encoding="utf-8"))
    found = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and str(node.module).startswith("hilseq"):
            for alias in node.names:
                assert alias.asname == alias.name, f"{alias.name} is not offered again, `as` itself"
                found[alias.name] = str(node.module)
    return found


def _listed() -> list[str]:
    """Return the names of the table in the sequences' guide."""
    text = (SEQUENCES / "README.md").read_text(encoding="utf-8")
    part = text.partition(_TITLE)[2].partition("\n## ")[0]
    rows = [line.split("|")[1] for line in part.splitlines() if line.startswith("| `")]
    return [name for row in rows for name in re.findall(r"`(\w+)`", row)]


def test_the_list_is_sorted_and_each_name_is_there() -> None:
    """Without regard to case; each name is a public thing of the module the list says, or that module."""
    names = [name for name in hilseq.__all__ if name != "__version__"]
    assert names == sorted(names, key=lambda name: (name.casefold(), name))
    for name in names:
        offered = getattr(hilseq, name)
        if inspect.isclass(offered) or inspect.isfunction(offered):
            assert offered.__doc__, f"{name} has no docstring"
            assert offered.__name__ == name
        elif isinstance(offered, ModuleType):
            assert offered.__name__.endswith(f".{name}")
    assert set(names) <= set(dir(hilseq))


def test_the_list_is_what_type_checkers_see() -> None:
    """The late import and the types of every name come from the same module."""
    seen = {
        name: module if not module.endswith(".procedures") else f"{module}.{name}"
        for name, module in _type_checking_imports().items()
    }
    assert seen == hilseq._HOMES


def test_the_list_is_what_the_guide_lists() -> None:
    """Nothing is offered that the guide does not name, nothing is named twice or promised in vain."""
    listed = _listed()
    assert sorted(listed) == sorted(name for name in hilseq.__all__ if name != "__version__")


def test_a_name_that_is_not_offered_is_refused() -> None:
    """As by any other package."""
    with pytest.raises(AttributeError, match="module 'hilseq' has no attribute 'Jugde'"):
        hilseq.Jugde  # noqa: B018 - the access is the point


def test_importing_the_package_imports_nothing_else() -> None:
    """Heavy libraries come with the first name that needs them."""
    words = "import sys, hilseq; print([m for m in sys.modules if m.startswith(('hilseq.', 'numpy', 'pydantic'))])"
    done = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def _deep_imports(text: str) -> list[str]:
    return [
        node.module or ""
        for node in ast.walk(ast.parse(text))
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("hilseq.")
    ]


@pytest.mark.parametrize("path", sorted(SEQUENCES.glob("test_*.py")), ids=lambda path: path.name)
def test_a_shipped_sequence_needs_one_line(path: Path) -> None:
    """`from hilseq import …`, once, and no module behind it."""
    text = path.read_text(encoding="utf-8")
    assert _deep_imports(text) == []
    assert len(re.findall(r"^from hilseq import ", text, re.MULTILINE)) == 1


@pytest.mark.parametrize("path", DOCUMENTS, ids=lambda path: f"{path.parent.name}/{path.name}")
def test_the_documents_show_nothing_but_the_package(path: Path) -> None:
    """What an example imports is what a reader may import."""
    for example in re.findall(r"```python\n(.*?)```", path.read_text(encoding="utf-8"), re.DOTALL):
        assert _deep_imports(example) == []
        for node in ast.walk(ast.parse(example)):
            if isinstance(node, ast.ImportFrom) and node.module == "hilseq":
                assert {alias.name for alias in node.names} <= set(hilseq.__all__)
