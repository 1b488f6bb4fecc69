"""Count the structure of a checkout: files, lines, imports, circles, doubled and unused names.

    python tests/bench/count_structure.py [ROOT] [--names]

ROOT is the checkout to count, this one unless given; nothing of it is imported or run, so that one script counts
states before and after a change alike. `--names` lists what is behind each figure. `tests/test_architecture.py`
enforces what must stay true with the same functions.

What is counted covers `hilseq/` and the simulator's package in `sim/`. An import at the top of a file is a module-level
import, any other a late one; one for the type checker alone imports nothing. What nothing reaches is a public function
or class at the top of a module that no reached code names, starting from entry points, sequences, registered functions
(those with a decorator of a framework) and the hooks of pytest and pluggy.
"""

from __future__ import annotations

import argparse
import ast
import re
import sys
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

HERE = Path(__file__).resolve().parents[2]
#: Packages of the product, by the folder that holds them.
PACKAGES = {"hilseq": ".", "hilseq_sim": "sim"}
#: A dictionary of what was read from a journal, or of anything else without a type.
UNTYPED = re.compile(r"\b(?:dict|Mapping|MutableMapping)\[str, Any\]")
#: Decorators that leave a function to those who call it by name; any other hands it to a framework.
PLAIN = {
    "abstractmethod", "asynccontextmanager", "cache", "cached_property", "contextmanager", "dataclass", "deprecated",
    "final", "lru_cache", "overload", "property", "runtime_checkable", "singledispatch", "total_ordering", "unique",
    "wraps",
}  # fmt: skip
#: Functions that pytest, pluggy and Alembic call by their names.
HOOKS = ("pytest_", "hilseq_", "upgrade", "downgrade")
#: Rooms whose public names are for others: the facade, hook specifications, the driver kit.
OPEN_DOORS = ("hilseq", "hilseq.hooks", "hilseq.testing")


@dataclass(frozen=True, slots=True)
class Import:
    """One import of one module of the product by another."""

    module: str
    late: bool


@dataclass
class Module:
    """One file of the product."""

    name: str
    path: Path
    text: str
    tree: ast.Module
    is_package: bool
    imports: set[Import] = field(default_factory=set)
    #: Name in this file -> the module, or (module, name) it stands for.
    names: dict[str, tuple[str, str]] = field(default_factory=dict)

    @property
    def lines(self) -> int:
        """Lines of the file."""
        return len(self.text.splitlines())


class Product:
    """The modules of a checkout and who imports whom."""

    def __init__(self, root: Path = HERE) -> None:
        """Read every file below `root`. Raises SyntaxError for one that is no Python."""
        self.root = root
        self.modules: dict[str, Module] = {}
        for package, folder in PACKAGES.items():
            for path in sorted((root / folder / package).rglob("*.py")):
                module = _read(path, root / folder)
                self.modules[module.name] = module
        #: The shipped sequences: they use the product and are no part of it.
        self.sequences = [_read(path, root) for path in sorted((root / "sequences").glob("*.py"))]
        for module in (*self.modules.values(), *self.sequences):
            self._resolve(module)

    def _resolve(self, module: Module) -> None:
        top = set(_top_level(module.tree.body))
        unread = {inner for node in top if _is_for_types(node) for inner in ast.walk(node)}
        for node in ast.walk(module.tree):
            if not isinstance(node, ast.Import | ast.ImportFrom):
                continue
            for target, name, bound in _targets(node, module, self.modules):
                module.names[bound] = (target, name)
                if target != module.name and node not in unread:
                    module.imports.add(Import(target, late=node not in top))

    def graph(self, *, late: bool) -> dict[str, set[str]]:
        """Return module -> modules it imports, with late imports or without."""
        return {
            name: {one.module for one in module.imports if late or not one.late}
            for name, module in self.modules.items()
        }

    @cached_property
    def importers(self) -> dict[str, set[str]]:
        """Module -> modules that import it in any way."""
        found: dict[str, set[str]] = {name: set() for name in self.modules}
        for name, targets in self.graph(late=True).items():
            for target in targets:
                found[target].add(name)
        return found

    def with_one_importer(self) -> list[str]:
        """Return the modules (not packages) that exactly one other imports."""
        return [n for n, by in self.importers.items() if len(by) == 1 and not self.modules[n].is_package]

    def late_imports(self) -> list[str]:
        """Return the imports of the product's own modules that are not at the top of a file."""
        return sorted(
            f"{name} -> {one.module}"
            for name, module in self.modules.items()
            for one in module.imports
            if one.late
        )

    def circles(self, *, late: bool) -> list[list[str]]:
        """Return the groups of modules that import each other."""
        return [sorted(group) for group in _components(self.graph(late=late)) if len(group) > 1]

    def longest_chain(self) -> list[str]:
        """Return the longest chain of module-level imports; a circle counts as one step of it."""
        graph = self.graph(late=False)
        chain: dict[str, list[str]] = {}
        for group in _components(graph):  # those that are imported come before those that import
            below = sorted({target for name in group for target in graph[name]} - group)
            longest = max((chain[name] for name in below), key=len, default=[])
            label = "+".join(sorted(group))
            for name in group:
                chain[name] = [label, *longest]
        return max(chain.values(), key=len, default=[])

    def doubled_classes(self) -> dict[str, list[str]]:
        """Return the class names that are defined more than once, with their modules."""
        found: dict[str, list[str]] = defaultdict(list)
        for module in self.modules.values():
            for node in ast.walk(module.tree):
                if isinstance(node, ast.ClassDef):
                    found[node.name].append(module.name)
        return {name: where for name, where in sorted(found.items()) if len(where) > 1}

    def untyped_lines(self) -> list[str]:
        """Return the lines of `hilseq/` that handle dictionaries without types."""
        return [
            f"{module.path.relative_to(self.root)}:{number}"
            for module in self.modules.values()
            if module.name.split(".")[0] == "hilseq"
            for number, line in enumerate(module.text.splitlines(), 1)
            if UNTYPED.search(line)
        ]

    def deep_imports_of_sequences(self) -> set[str]:
        """Return the modules inside hilseq that the shipped sequences import."""
        imported = {one.module for sequence in self.sequences for one in sequence.imports}
        return {name for name in imported if name.startswith("hilseq.")}

    def unused(self) -> dict[str, int]:
        """Return the public functions and classes that nothing reaches, each with its lines."""
        return _Reach(self).unused()

    def unused_methods(self) -> list[str]:
        """Return the public methods whose name stands nowhere in the product but at their definition."""
        text = Counter(
            word
            for path in _all_text(self.root)
            for word in re.findall(r"[A-Za-z_]\w*", path.read_text(encoding="utf-8"))
        )
        found = []
        for module in self.modules.values():
            for owner in ast.walk(module.tree):
                if not isinstance(owner, ast.ClassDef) or owner.bases:
                    continue  # what a class inherits may be called from where it was inherited from
                for node in owner.body:
                    if not isinstance(node, ast.FunctionDef) or node.name.startswith("_"):
                        continue
                    if text[node.name] == 1 and not _handed_over(node):
                        found.append(f"{module.name}.{owner.name}.{node.name}")
        return found


def _read(path: Path, base: Path) -> Module:
    parts = list(path.relative_to(base).with_suffix("").parts)
    is_package = parts[-1] == "__init__"
    text = path.read_text(encoding="utf-8")
    name = ".".join(parts[:-1] if is_package else parts)
    return Module(name, path, text, ast.parse(text, str(path)), is_package)


def _top_level(body: Iterable[ast.stmt]) -> Iterator[ast.stmt]:
    """Yield the statements that run when a module is imported (those for the type checker too)."""
    for node in body:
        yield node
        if isinstance(node, ast.If | ast.Try):
            for part in (node.body, node.orelse, getattr(node, "finalbody", [])):
                yield from _top_level(part)
            for handler in getattr(node, "handlers", []):
                yield from _top_level(handler.body)


def _is_for_types(node: ast.stmt) -> bool:
    """Return whether a statement is read by the type checker alone."""
    return isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"


def _targets(
    node: ast.Import | ast.ImportFrom, module: Module, modules: Mapping[str, Module]
) -> Iterator[tuple[str, str, str]]:
    """Yield (module, name in it or "", name it is bound to) for each import of the product's own."""
    if isinstance(node, ast.Import):
        for alias in node.names:
            if alias.name in modules:
                yield alias.name, "", alias.asname or alias.name
        return
    base = node.module or ""
    if node.level:
        parts = module.name.split(".")
        parts = parts[: len(parts) - node.level + module.is_package]
        base = ".".join([*parts, *([base] if base else [])])
    for alias in node.names:
        bound = alias.asname or alias.name
        if f"{base}.{alias.name}" in modules:
            yield f"{base}.{alias.name}", "", bound
        elif base in modules:
            yield base, alias.name, bound


def _components(graph: Mapping[str, set[str]]) -> list[set[str]]:
    """Return the strongly connected components, those that are reached first.

    R. Tarjan, "Depth-first search and linear graph algorithms", SIAM J. Comput. 1 (1972), 146.
    """
    order: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    waiting: set[str] = set()
    found: list[set[str]] = []

    def visit(node: str) -> None:
        order[node] = low[node] = len(order)
        stack.append(node)
        waiting.add(node)
        for target in sorted(graph[node]):
            if target not in order:
                visit(target)
                low[node] = min(low[node], low[target])
            elif target in waiting:
                low[node] = min(low[node], order[target])
        if low[node] == order[node]:
            group: set[str] = set()
            while node not in group:
                group.add(stack.pop())
            waiting.difference_update(group)
            found.append(group)

    for node in sorted(graph):
        if node not in order:
            visit(node)
    return found


def _dotted(node: ast.expr) -> str:
    """Return the dotted name that an expression is; empty for any other."""
    parts = []
    while isinstance(node, ast.Attribute):
        parts.append(node.attr)
        node = node.value
    return ".".join([node.id, *reversed(parts)]) if isinstance(node, ast.Name) else ""


def _handed_over(node: ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef) -> bool:
    """Say whether a decorator hands the function to a framework, or a hook's name does."""
    for decorator in node.decorator_list:
        target = decorator.func if isinstance(decorator, ast.Call) else decorator
        name = target.attr if isinstance(target, ast.Attribute) else getattr(target, "id", "")
        if name not in PLAIN:
            return True
    return node.name.startswith(HOOKS)


def _all_text(root: Path) -> Iterator[Path]:
    for folder in ("hilseq", "sim", "sequences"):
        for suffix in ("py", "j2", "js", "typ"):
            yield from (root / folder).rglob(f"*.{suffix}")
    yield root / "pyproject.toml"


class _Reach:
    """What the product's entries reach, name by name."""

    def __init__(self, product: Product) -> None:
        self.product = product
        #: (module, name) of each definition at the top of a module -> its node.
        self.definitions: dict[tuple[str, str], ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef] = {}
        self.bodies: dict[str, list[ast.stmt]] = {}
        for module in product.modules.values():
            body = []
            for node in _top_level(module.tree.body):
                if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                    self.definitions[module.name, node.name] = node
                    if not _handed_over(node):
                        continue
                body.append(node)
            self.bodies[module.name] = body
        #: Names in text that is no Python: templates, and dotted names in strings (entry points, `-m`).
        self.templates = {
            word
            for path in _all_text(product.root)
            if path.suffix != ".py"
            for word in re.findall(r"[A-Za-z_]\w*", path.read_text(encoding="utf-8"))
        }

    def unused(self) -> dict[str, int]:
        todo = list(self._roots())
        reached: set[tuple[str, str]] = set()
        while todo:
            for one in self._follow(*todo.pop()):
                if one not in reached:
                    reached.add(one)
                    todo.extend(self._named(self.product.modules[one[0]], self.definitions[one]))
        return {
            f"{module}.{name}": (node.end_lineno or node.lineno) - node.lineno + 1
            for (module, name), node in self.definitions.items()
            if (module, name) not in reached and not name.startswith("_") and not _handed_over(node)
        }

    def _roots(self) -> Iterator[tuple[str, str]]:
        """Yield what is named by code that runs at import, by sequences, templates and open doors."""
        for module, body in self.bodies.items():
            for statement in body:
                yield from self._named(self.product.modules[module], statement)
        for sequence in self.product.sequences:
            yield from self._named(sequence, sequence.tree)
        for module, name in self.definitions:
            if name in self.templates or module.startswith(OPEN_DOORS[1:]):
                yield module, name

    def _follow(self, module: str, name: str) -> Iterator[tuple[str, str]]:
        """Yield the definition behind a name, through modules that only pass it on."""
        seen = set()
        while (module, name) not in seen:
            seen.add((module, name))
            if (module, name) in self.definitions:
                yield module, name
                return
            passed_on = self.product.modules.get(module)
            if passed_on is None or name not in passed_on.names:
                return
            module, name = passed_on.names[name]

    def _module_behind(self, module: str, name: str) -> str:
        """Return the module that an imported name stands for, also by way of the facade; empty for any other name."""
        while name:
            passed_on = self.product.modules[module].names if module in self.product.modules else {}
            if name not in passed_on:
                return ""
            module, name = passed_on[name]
        return module

    def _named(self, module: Module, node: ast.AST) -> Iterator[tuple[str, str]]:
        """Yield (module, name) of whatever a piece of code names."""
        names = module.names
        for one in ast.walk(node):
            if isinstance(one, ast.Name):
                yield names.get(one.id, (module.name, one.id))
            elif isinstance(one, ast.Attribute):
                base = _dotted(one.value)
                if base in names and (home := self._module_behind(*names[base])):
                    yield home, one.attr
                elif base in self.product.modules:
                    yield base, one.attr
            elif (
                isinstance(one, ast.Constant)
                and isinstance(one.value, str)
                and one.value.startswith("hilseq")
            ):
                yield one.value.replace(":", ".").rpartition(".")[::2]
            elif isinstance(one, ast.Constant) and isinstance(one.value, str) and one.value.isidentifier():
                yield module.name, one.value


def figures(product: Product) -> dict[str, tuple[int, list[str]]]:
    """Return each figure with what is behind it."""
    modules = product.modules.values()
    hilseq = [module for module in modules if module.name.split(".")[0] == "hilseq"]
    sim = [module for module in modules if module.name.split(".")[0] == "hilseq_sim"]
    rooms = Counter(module.name.split(".")[1] for module in hilseq if "." in module.name)
    unused, doubled = product.unused(), product.doubled_classes()

    def named(names: Iterable[str]) -> tuple[int, list[str]]:
        listed = list(names)
        return len(listed), listed

    return {
        "files": (len(hilseq) + len(sim), [f"{name} {count}" for name, count in rooms.most_common()]),
        "files of hilseq": (len(hilseq), []),
        "files of sim": (len(sim), []),
        "lines": (sum(module.lines for module in modules), []),
        "lines of hilseq": (sum(module.lines for module in hilseq), []),
        "lines of sim": (sum(module.lines for module in sim), []),
        "files longer than 450 lines": named(f"{m.name} {m.lines}" for m in modules if m.lines > 450),
        "files with one importer only": named(sorted(product.with_one_importer())),
        "import depth": named(product.longest_chain()),
        "late imports": named(product.late_imports()),
        "circles": named(" ".join(circle) for circle in product.circles(late=False)),
        "circles, late imports too": named(" ".join(circle) for circle in product.circles(late=True)),
        "deep modules imported by sequences": named(sorted(product.deep_imports_of_sequences())),
        "class names defined at least twice": named(f"{name}: {', '.join(w)}" for name, w in doubled.items()),
        "lines with dictionaries of Any": named(product.untyped_lines()),
        "public names reached by nothing": named(f"{name} ({lines} lines)" for name, lines in unused.items()),
        "lines of these": (sum(unused.values()), []),
        "public methods named nowhere else": named(product.unused_methods()),
    }


def main() -> None:
    """Print the figures of a checkout."""
    parser = argparse.ArgumentParser(description="Count the structure of a checkout.")
    parser.add_argument(
        "root", nargs="?", type=Path, default=HERE, help="the checkout; this one unless given"
    )
    parser.add_argument("--names", action="store_true", help="list what is behind each figure")
    options = parser.parse_args()
    if not (options.root / "hilseq").is_dir():
        sys.exit(f"{options.root} is no checkout: it has no folder hilseq")
    for what, (count, behind) in figures(Product(options.root)).items():
        print(f"{count:7d}  {what}")
        if options.names:
            print(*(f"             {line}" for line in behind), sep="\n", end="\n" * bool(behind))


if __name__ == "__main__":
    main()
