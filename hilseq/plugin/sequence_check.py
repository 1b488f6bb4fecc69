"""What is wrong with a sequence, found without power: what it asks for that nobody has, each with file and line."""

from __future__ import annotations

import ast
import builtins
import collections.abc
import inspect
import re
import sys
import textwrap
import typing
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from _pytest.fixtures import FixtureFunctionDefinition

import hilseq
from hilseq import procedures
from hilseq.analysis.limits import Limits
from hilseq.description.findings import nearest_word
from hilseq.description.profile import Profile
from hilseq.description.stand import Stand
from hilseq.errors import DescriptionError, Problem
from hilseq.measured import Measured
from hilseq.plugin.judge import Judge
from hilseq.plugin.markers import MARKERS, line_of_marker, shown_path
from hilseq.plugin.parametrize import declared

#: Methods that take names of the profile or stand, by the object they belong to: what is named.
_NAMED = {
    ("outputs", "drive"): "output",
    ("outputs", "command"): "output",
    ("inputs", "drive"): "input",
    ("signals", "read"): "signal",
    ("signals", "measure"): "signal",
    ("signals", "write"): "signal",
    ("parameters", "value"): "parameter",
    ("parameters", "limits"): "parameter",
    ("parameters", "text"): "parameter",
    ("parameters", "flag"): "parameter",
}


@dataclass(frozen=True, slots=True)
class _Use:
    """A name that a function asks for, and the line where it does."""

    kind: str
    name: str
    line: int


#: Where a traceback of pytest names a file it went through, and what it says about a marker that nobody registers.
_WENT_THROUGH = re.compile(r"^(\S+\.py):(\d+): |File \"([^\"]+\.py)\", line (\d+)", re.MULTILINE)
_NO_MARKER = re.compile(r"'([^']+)' not found in `markers` configuration option")
_NO_NAME = re.compile(r"cannot import name '([^']+)' from 'hilseq'")


def why_not_collected(report: pytest.CollectReport) -> str:
    """Return why a file cannot be collected, as `FILE:LINE: what is wrong`, with the nearest right name."""
    text = report.longreprtext
    reported = [line.removeprefix("E").strip() for line in text.splitlines() if line.startswith("E ")]
    words = reported[-1] if reported else (text.strip().splitlines() or ["it cannot be read"])[-1]
    through = [(found[1] or found[3], found[2] or found[4]) for found in _WENT_THROUGH.finditer(text)]
    name = Path(report.nodeid).name
    own = [
        (file, line)
        for file, line in through
        if (Path(file).name == name if name else "site-packages" not in file)
    ]
    place = f"{shown_path(Path(own[-1][0]))}:{own[-1][1]}" if own else report.nodeid or "a sequence"
    near = ""
    if (lacking := _NO_NAME.search(words)) is not None:
        near = nearest_word(lacking[1], hilseq.__all__)
        words = f"hilseq has no name {lacking[1]!r}"
    elif (marker := _NO_MARKER.search(text)) is not None:
        near = nearest_word(marker[1], (line.partition("(")[0].partition(":")[0] for line in MARKERS))
        words = f"there is no marker {marker[1]!r}"
        file = getattr(report, "path", None)
        if not own and file is not None:
            place = f"{shown_path(file)}:{line_of_marker(file, marker[1])}"
    if "codec can't decode" in words:
        words += "; save the file in UTF-8"
    return f"{place}: {words}" + (f"; did you mean {near!r}?" if near else "")


def problems_of_item(item: pytest.Item, profile: Profile, stand: Stand) -> list[Problem]:
    """Return what a check asks for by fixture or by name that neither pytest, profile nor stand has."""
    found = list(_fixtures(item))
    names: Mapping[str, Iterable[str]] = {
        "output": profile.points.outputs,
        "input": profile.points.inputs,
        "signal": stand.signals,
        "parameter": _parameters(item),
    }
    function = getattr(item, "function", None)
    written = None if function is None else _written(function)
    if function is None or written is None:
        return found
    tree, first = written
    for use in _uses(tree, first):
        known = list(names[use.kind])
        if use.name not in known:
            near = nearest_word(use.name, known)
            expected = "" if near else f"one of {', '.join(known[:20])}" if known else f"no {use.kind} here"
            wrong = f"there is no {use.kind} {use.name!r}"
            found.append(Problem(shown_path(item.path), use.line, 1, wrong, expected, near))
    return found + list(_calls(item, function, tree, first))


def _calls(
    item: pytest.Item, function: Callable[..., object], tree: ast.FunctionDef, first: int
) -> Iterator[Problem]:
    """Yield what it calls that cannot be called so, and that it states nothing."""
    info: Any = getattr(item, "_fixtureinfo", None)
    known = {} if info is None else info.name2fixturedefs
    calls = _Calls(function, tree, {name: of_it[-1].func for name, of_it in known.items() if of_it})
    path = shown_path(item.path)
    for slip in calls.slips():
        line, column = first + slip.node.lineno - 1, slip.node.col_offset + 1
        yield Problem(path, line, column, slip.wrong, slip.expected, slip.nearest)
    if calls.says_nothing():
        wrong = f"{tree.name} judges no reading and asserts nothing, so it shows nothing about the unit"
        expected = "judge(NAME, MEASURED, LIMITS), or an assert of what is seen"
        yield Problem(path, first + tree.lineno - 1, 1, wrong, expected)


def _fixtures(item: pytest.Item) -> Iterator[Problem]:
    info: Any = getattr(item, "_fixtureinfo", None)
    if info is None:
        return
    given = getattr(getattr(item, "callspec", None), "params", {})
    for name in info.names_closure:
        if name in info.name2fixturedefs or name in given or name == "request":
            continue
        line = item.location[1] or 0
        wrong = f"{item.name.partition('[')[0]} asks for the fixture {name!r}, which does not exist"
        near = nearest_word(name, own := _own_fixtures(item))
        expected = "" if near else f"a fixture of your own, or one of {', '.join(own)}"
        yield Problem(shown_path(item.path), line + 1, 1, wrong, expected, near)


def _own_fixtures(item: pytest.Item) -> list[str]:
    plugins = item.config.pluginmanager
    return [
        name
        for module in (plugins.get_plugin("hilseq-fixtures"), plugins.get_plugin("hilseq-soaking"))
        for name, value in vars(module).items()
        if isinstance(value, FixtureFunctionDefinition)
    ]


def _written(function: Callable[..., object]) -> tuple[ast.FunctionDef, int] | None:
    """Return a function as it is written, and its first line; None where it is not written in a file."""
    try:
        lines, first = inspect.getsourcelines(function)
        (tree,) = ast.parse(textwrap.dedent("".join(lines))).body
    except (OSError, TypeError, ValueError, SyntaxError):
        return None
    return (tree, first) if isinstance(tree, ast.FunctionDef) else None


def _uses(tree: ast.FunctionDef, first: int) -> Iterator[_Use]:
    """Yield the names that are written out in calls of a function; what is computed is not seen."""
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Attribute):
            continue
        owner = node.func.value
        whose = owner.attr if isinstance(owner, ast.Attribute) else getattr(owner, "id", "")
        kind = _NAMED.get((whose, node.func.attr))
        if kind is None:
            continue
        arguments = node.args if kind in ("output", "input") else node.args[:1]
        for argument in arguments:
            if isinstance(argument, ast.Constant) and isinstance(argument.value, str):
                yield _Use(kind, argument.value, first + argument.lineno - 1)


# -- what pytest passes over in silence -----------------------------------------------------------------

#: Markers that say nothing without a word in parentheses.
_NEED_A_WORD = ("stage", "place", "needs", "parameter")


def silent_slips(items: Iterable[pytest.Item]) -> list[Problem]:
    """Return what is written in the files of these checks, and would never run, or not as it is written."""
    found = dict[Problem, None]()
    for path in dict.fromkeys(item.path for item in items):
        found |= dict.fromkeys(_silent_in(path))
    for item in items:
        # Where an extension of pytest runs coroutines, the item is one of its own.
        if type(item) is pytest.Function and inspect.iscoroutinefunction(item.function):
            line = item.function.__code__.co_firstlineno
            wrong = f"{item.function.__name__} is a coroutine, which is never run"
            found[Problem(shown_path(item.path), line, 1, wrong, "def, without async")] = None
    return list(found)


def _silent_in(path: Path) -> Iterator[Problem]:
    tree, shown = _parsed(path), shown_path(path)
    called = {id(node.func) for node in ast.walk(tree) if isinstance(node, ast.Call) and node.args}
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef):
            yield from _twice(node, shown)
        if isinstance(node, ast.ClassDef) and node.name.startswith("Test"):
            yield from _without_self(node, shown)
        if (
            isinstance(node, ast.Attribute)
            and node.attr in _NEED_A_WORD
            and id(node) not in called
            and getattr(node.value, "attr", "") == "mark"
        ):
            wrong = f"the marker {node.attr!r} says nothing"
            yield Problem(shown, node.lineno, node.col_offset + 1, wrong, f'{node.attr}("...")')


def _twice(scope: ast.Module | ast.ClassDef, shown: Path) -> Iterator[Problem]:
    first: dict[str, int] = {}
    for node in scope.body:
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test"):
            if node.name in first:
                wrong = f"{node.name} stands here a second time: the one in line {first[node.name]} would never run"
                yield Problem(
                    shown, node.lineno, node.col_offset + 1, wrong, "a name of its own for each check"
                )
            first[node.name] = node.lineno


def _without_self(scope: ast.ClassDef, shown: Path) -> Iterator[Problem]:
    for node in scope.body:
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test"):
            bare = not any(
                getattr(each, "id", "") in ("staticmethod", "classmethod") for each in node.decorator_list
            )
            if bare and [each.arg for each in node.args.args][:1] != ["self"]:
                wrong = f"{node.name} of {scope.name} does not begin with self"
                yield Problem(shown, node.lineno, node.col_offset + 1, wrong, f"{node.name}(self, ...)")


def _waits_unseen(path: Path) -> Iterator[Problem]:
    """Yield waits that the clock of the visit does not see."""
    for node in ast.walk(_parsed(path)):
        if isinstance(node, ast.Call) and ast.unparse(node.func) == "time.sleep":
            wrong = "time.sleep is seen neither by a simulated stand nor by the watch over a real one"
            expected = "clock.sleep(SECONDS), with the fixture clock"
            yield Problem(shown_path(path), node.lineno, node.col_offset + 1, wrong, expected)


def _parsed(path: Path) -> ast.Module:
    try:
        return ast.parse(path.read_bytes())
    except (OSError, SyntaxError, ValueError):  # said where it is collected
        return ast.Module([], [])


def all_problems(
    items: Iterable[pytest.Item],
    slot_of: Callable[[pytest.Item], str],
    profiles: Mapping[str, Profile],
    stand: Stand,
) -> list[Problem]:
    """Return the problems of all checks, each once however many elements it has."""
    items, found = list(items), dict[Problem, None]()
    for path in dict.fromkeys(item.path for item in items):
        found |= dict.fromkeys(_waits_unseen(path))
    for item in items:
        found |= dict.fromkeys(problems_of_item(item, profiles[slot_of(item)], stand))
    return sorted(found)


def _parameters(item: pytest.Item) -> Iterable[str]:
    """Return the names of the parameters that a check declares; a marker that is wrong is reported by itself."""
    try:
        return declared(item)
    except DescriptionError:
        return [str(marker.args[0]) for marker in item.iter_markers("parameter") if marker.args]


# -- what is called on what hilseq gives it -------------------------------------------------------------
#
# The class of a fixture is what its function returns; that of an attribute is how its class declares it. What is
# computed, or of a class of nobody here, is not looked at: nothing right is refused.

#: Modules of base classes of ours whose instances have nothing but what `dir` tells.
_PLAIN = {"builtins", "typing", "abc"}
#: Marks a function that compares something (`hilseq.statements`).
_COMPARES = "compared"
#: What a fixture function returns that a check receives one of.
_YIELDING = (collections.abc.Iterator, collections.abc.Generator)


class _Slip(NamedTuple):
    """What is wrong at a node of a function, what was expected there, and the name that was probably meant."""

    node: ast.expr | ast.stmt
    wrong: str
    expected: str = ""
    nearest: str = ""


class _Value(NamedTuple):
    """What an expression is known to be: an instance of `kind`, or `target` itself, which can be called."""

    kind: type | None = None
    target: Callable[..., Any] | None = None
    #: Whether the target is a method, called on an instance.
    bound: bool = False


class _Calls:
    """The calls of one check. `fixtures` holds the function of each fixture that it asks for."""

    def __init__(
        self,
        function: Callable[..., object],
        tree: ast.FunctionDef,
        fixtures: Mapping[str, Callable[..., object]],
    ) -> None:
        self._tree = tree
        self._globals: dict[str, Any] = getattr(function, "__globals__", {})
        #: Names of the function itself: what is stored in one may be anything.
        self._own = {
            node.id
            for node in ast.walk(tree)
            if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)
        }
        arguments = {each.arg for each in ast.walk(tree) if isinstance(each, ast.arg)}
        self._given = {name: _returned(fixtures[name]) for name in arguments - self._own if name in fixtures}
        self._own |= arguments
        asked = [fixtures[name] for name in arguments if name in fixtures]
        self._ours_alone = all(_is_ours(fixture) for fixture in asked)

    def slips(self) -> Iterator[_Slip]:
        """Yield attributes that nobody has, calls that cannot be made, and limits that are none."""
        for node in ast.walk(self._tree):
            if isinstance(node, ast.Attribute):
                owner = self._value(node.value).kind
                if owner is not None and (known := _attributes(owner)) is not None and node.attr not in known:
                    public = sorted(name for name in known if not name.startswith("_"))
                    near = nearest_word(node.attr, public)
                    whole = ast.unparse(node.value)
                    expected = "" if near else f"one of {', '.join(public)}"
                    yield _Slip(node, f"there is no {whole}.{node.attr}", expected, near)
            elif isinstance(node, ast.Call):
                yield from self._call(node)
            elif isinstance(node, ast.Assert) and isinstance(node.test, ast.Tuple) and node.test.elts:
                yield _Slip(node, "this assertion always holds", "assert WHAT, WORDS, without parentheses")
            for value in _used(node):
                if self._value(value).bound:
                    name = ast.unparse(value)
                    yield _Slip(value, f"{name} is not called", f"{name}()")

    def says_nothing(self) -> bool:
        """Return whether it can judge nothing: no assertion, and all that it calls only does or measures something."""
        if not self._ours_alone:
            return False
        for node in ast.walk(self._tree):
            if isinstance(node, ast.Assert | ast.Raise):
                return False
            if isinstance(node, ast.Call) and not self._is_silent(node.func):
                return False
        return True

    def _is_silent(self, called: ast.expr) -> bool:
        if isinstance(called, ast.Name):
            return called.id not in self._own | set(self._globals) and hasattr(builtins, called.id)
        owner = self._value(called.value).kind if isinstance(called, ast.Attribute) else None
        return isinstance(called, ast.Attribute) and owner is not None and not _compares(owner, called.attr)

    def _call(self, node: ast.Call) -> Iterator[_Slip]:
        value = self._value(node.func)
        target = value.target
        if target is None and value.kind is not None:
            target, value = inspect.getattr_static(value.kind, "__call__", None), value._replace(bound=True)
        starred = any(isinstance(each, ast.Starred) for each in node.args)
        if target is None or starred or any(each.arg is None for each in node.keywords):
            return
        try:
            signature = inspect.signature(target)
        except (TypeError, ValueError):
            return
        name = ast.unparse(node.func)
        shown = [each for each in signature.parameters.values() if each.name != "self"]
        try:
            instance = [None] if value.bound else []
            signature.bind(*instance, *node.args, **{str(each.arg): each for each in node.keywords})
        except TypeError as error:
            form = ", ".join(each.name for each in shown)
            points = ", and a point for decimals" if target in (Limits, Measured) else ""
            yield _Slip(node, f"{name}: {error}", f"{name}({form}){points}")
            return
        if target is Limits:
            yield from _limits(node)
        if value.kind is Judge:
            yield from self._measured(node)

    def _measured(self, node: ast.Call) -> Iterator[_Slip]:
        """Say why what is judged is no reading."""
        measured = next(
            (each.value for each in node.keywords if each.arg == "measured"), (*node.args, None, None)[1]
        )
        if isinstance(measured, ast.Constant):
            wrong = f"{measured.value!r} has no unit and no uncertainty"
            yield _Slip(measured, wrong, 'Measured(value, "V", standard_uncertainty)')
        elif measured is not None and self._value(measured).bound:
            yield _Slip(measured, f"{ast.unparse(measured)} is not called", f"{ast.unparse(measured)}()")

    def _value(self, node: ast.expr) -> _Value:
        if isinstance(node, ast.Name) and node.id not in self._own:
            found = self._globals.get(node.id)
            return _Value(target=found) if callable(found) and _is_ours(found) else _Value()
        return _value_in(node, self._given)


def _used(node: ast.AST) -> list[ast.expr]:
    """Return the expressions whose truth, value or effect a node needs: a method that is not called has none."""
    if isinstance(node, ast.Assert | ast.If | ast.While | ast.IfExp):
        return [node.test]
    if isinstance(node, ast.Compare):
        return [node.left, *node.comparators]
    if isinstance(node, ast.BoolOp):
        return node.values
    if isinstance(node, ast.BinOp):
        return [node.left, node.right]
    return [node.value] if isinstance(node, ast.Expr) else []


def _value_in(node: ast.expr, given: Mapping[str, type | None]) -> _Value:
    """Return what a name, or an attribute of one, is where these names are instances of these classes."""
    if isinstance(node, ast.Name):
        return _Value(kind=given.get(node.id))
    owner = _value_in(node.value, given).kind if isinstance(node, ast.Attribute) else None
    return _member(owner, node.attr) if isinstance(node, ast.Attribute) and owner is not None else _Value()


def _limits(node: ast.Call) -> Iterator[_Slip]:
    """Say what is wrong with limits that are written out."""
    try:
        ends = [ast.literal_eval(each) for each in node.args]
        named = {str(each.arg): ast.literal_eval(each.value) for each in node.keywords}
    except ValueError:  # computed
        return
    try:
        Limits(*ends, **named)
    except (TypeError, ValueError) as error:
        wrong, _, expected = str(error).partition("; expected ")
        decimals = ", and a point for decimals" if len(ends) > 1 else ""
        yield _Slip(
            node, wrong if expected else f"limits {ast.unparse(node)}", (expected or "numbers") + decimals
        )


def _returned(function: Callable[..., object]) -> type | None:
    """Return the class of ours that a function returns or yields one of; None where it is any other."""
    return _class_of(_hints(function).get("return"))


def _hints(of: object) -> dict[str, Any]:
    try:
        return typing.get_type_hints(of)
    except (NameError, TypeError, AttributeError):  # some names are imported for type checkers alone
        return {}


def _class_of(hint: Any) -> type | None:
    if typing.get_origin(hint) in _YIELDING:
        hint = typing.get_args(hint)[0]
    return hint if isinstance(hint, type) and _is_ours(hint) else None


def _is_ours(thing: object) -> bool:
    return str(getattr(thing, "__module__", "")).partition(".")[0] == hilseq.__name__


def _member(owner: type, name: str) -> _Value:
    """Return what an attribute of an instance is."""
    found = inspect.getattr_static(owner, name, None)
    if isinstance(found, property):
        return _Value(kind=None if found.fget is None else _returned(found.fget))
    if isinstance(found, staticmethod):
        return _Value(target=found.__func__)
    if inspect.isfunction(found):
        return _Value(target=found, bound=True)
    return _Value(kind=_class_of(_hints(owner).get(name)) or _set_at_start(owner).get(name))


@lru_cache(maxsize=64)
def _attributes(owner: type) -> frozenset[str] | None:
    """Return what an instance has; None where that cannot be known."""
    others = (each.__module__ for each in owner.__mro__ if not _is_ours(each))
    if hasattr(owner, "__getattr__") or not set(others) <= _PLAIN:
        return None
    annotated = {name for each in owner.__mro__ for name in getattr(each, "__annotations__", {})}
    return frozenset({*dir(owner), *annotated, *_set_at_start(owner)})


@lru_cache(maxsize=64)
def _set_at_start(owner: type) -> dict[str, type | None]:
    """Return the attributes that the methods of a class set, with the class of those that its start is given."""
    found: dict[str, type | None] = {}
    for each in owner.__mro__:
        if not _is_ours(each):
            continue
        hints = _hints(vars(each).get("__init__"))
        for node in ast.walk(_tree_of(each)):
            if isinstance(node, ast.Attribute) and isinstance(node.ctx, ast.Store):
                found.setdefault(node.attr, None)
            targets = node.targets if isinstance(node, ast.Assign) else []
            targets = [node.target] if isinstance(node, ast.AnnAssign) else targets
            for target in targets:
                if isinstance(target, ast.Attribute) and isinstance(target.value, ast.Name):
                    value = getattr(node, "value", None)
                    if isinstance(value, ast.Call) and isinstance(value.func, ast.Name):
                        hint = vars(sys.modules[each.__module__]).get(value.func.id)
                    else:
                        hint = hints.get(value.id) if isinstance(value, ast.Name) else None
                    found[target.attr] = _class_of(hint)
    return found


def _tree_of(owner: type | Callable[..., Any]) -> ast.AST:
    try:
        return ast.parse(textwrap.dedent(inspect.getsource(owner)))
    except (OSError, TypeError, SyntaxError):
        return ast.Module([], [])


@lru_cache(maxsize=256)
def _compares(owner: type, name: str) -> bool:
    """Return whether a method compares something that could speak against a unit, itself or by what it calls."""
    left, seen = [(owner, name)], {(owner, name)}
    while left:
        kind, method = left.pop()
        target = inspect.unwrap(_member(kind, method).target or _nothing)
        given = {"self": kind}
        for node in ast.walk(_tree_of(target)):
            if not isinstance(node, ast.Call):
                continue
            called = node.func
            if getattr(called, "attr", getattr(called, "id", "")) in _comparing():
                return True
            if isinstance(called, ast.Attribute):
                below = _value_in(called.value, given).kind
                if below is not None and (step := (below, called.attr)) not in seen:
                    seen.add(step)
                    left.append(step)
    return False


def _nothing() -> None:
    """Stand for what is no method."""


@lru_cache(maxsize=1)
def _comparing() -> frozenset[str]:
    """Return the names of the procedures that say that they compare."""
    found = {_COMPARES}
    for file in Path(next(iter(procedures.__path__))).rglob("*.py"):
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef) and any(
                isinstance(each, ast.Call) and getattr(each.func, "id", "") == _COMPARES
                for each in ast.walk(node)
            ):
                found.add(node.name)
    return frozenset(found - {"__init__"})
