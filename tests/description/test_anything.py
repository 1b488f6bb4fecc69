"""Whatever stands in a file, the answer is a description or a DescriptionError, never another exception."""

from __future__ import annotations

import contextlib
import copy
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from hilseq.description.inspection import inspect
from hilseq.description.loading import load_profile, load_stand
from hilseq.description.yaml_text import compose
from hilseq.errors import DescriptionError

STANDS = Path(__file__).parents[2] / "stands"
TEXTS = {name: (STANDS / name).read_text(encoding="utf-8") for name in ("sim-bench.yaml", "units/rh16.yaml")}
LINES = [line for text in TEXTS.values() for line in text.splitlines()]

SCALARS: st.SearchStrategy[Any] = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.dates(),
    st.text(max_size=12),
    st.sampled_from(
        ["24 V", "450 mA", "1e3", "12:30:00", "A.q01", "coil", "q01..q16", "rack", "live", "72 h"]
    ),
)
KEYS = st.one_of(
    st.sampled_from(
        ["stand", "supplies", "signals", "io", "table", "address", "q1..q9", "part", "points", "bit"]
    ),
    st.integers(-5, 70000),
    st.text(max_size=8),
)
ANYTHING = st.recursive(
    SCALARS,
    lambda below: st.lists(below, max_size=4) | st.dictionaries(KEYS, below, max_size=5),
    max_leaves=12,
)

#: The one written in C, where there is one.
DUMPER = getattr(yaml, "CSafeDumper", yaml.SafeDumper)
QUICK = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])


def _read(path: Path) -> None:
    inspect([path])
    for load in (load_stand, load_profile):
        with contextlib.suppress(DescriptionError):
            load(path)


@QUICK
@given(st.text(max_size=200))
@example("0:\x850")  # lines that only the parser breaks
@example("a: 1\u2028b:1\u2029 c: [")
def test_any_text_is_composed_or_refused(text: str) -> None:
    """Any text is YAML, or refused with a DescriptionError."""
    with contextlib.suppress(DescriptionError):
        compose(text, Path("x.yaml"))


@QUICK
@given(data=st.binary(max_size=300))
def test_any_bytes_are_read_or_refused(data: bytes, tmp_path: Path) -> None:
    """Any bytes are a description, or refused."""
    path = tmp_path / "any.yaml"
    path.write_bytes(data)
    _read(path)


@QUICK
@given(lines=st.lists(st.sampled_from(LINES), max_size=30))
def test_shuffled_lines_are_read_or_refused(lines: list[str], tmp_path: Path) -> None:
    """Lines of real files in any order are a description, or refused."""
    path = tmp_path / "any.yaml"
    path.write_text("\n".join(lines), encoding="utf-8")
    _read(path)


def _places(value: Any, place: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    found = [place] if place else []
    children = (
        value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    )
    for key, below in children:
        found += _places(below, (*place, key))
    return found


def _plain(name: str, text: str) -> Any:
    return compose(text, Path(name))[0].plain()


PLAIN = {name: _plain(name, text) for name, text in TEXTS.items()}
CHANGES: dict[str, list[tuple[Any, ...]]] = {name: _places(plain) for name, plain in PLAIN.items()}


@pytest.mark.parametrize("name", TEXTS)
@QUICK
@given(data=st.data())
def test_a_real_file_with_anything_in_places_is_read_or_refused(
    name: str, data: st.DataObject, tmp_path: Path
) -> None:
    """A real file in which values are replaced by anything is a description, or refused with places in it."""
    document = copy.deepcopy(PLAIN[name])
    for _ in range(data.draw(st.integers(1, 4))):
        place = data.draw(st.sampled_from(CHANGES[name]))
        target: Any = document
        with contextlib.suppress(KeyError, IndexError, TypeError):
            for key in place[:-1]:
                target = target[key]
            target[place[-1]] = data.draw(ANYTHING)
    path = tmp_path / "any.yaml"
    path.write_text(yaml.dump(document, Dumper=DUMPER, allow_unicode=True), encoding="utf-8")
    _read(path)
    lines = path.read_text(encoding="utf-8").splitlines()
    for problem in inspect([path]).problems:
        assert problem.line <= len(lines) + 1
        assert problem.wrong


@pytest.mark.parametrize("name", TEXTS)
def test_every_value_may_be_missing(name: str, tmp_path: Path) -> None:
    """A real file from which a value is taken (every fourth, to be quick) is a description, or refused."""
    path = tmp_path / "any.yaml"
    said = 0
    for place in CHANGES[name][::4]:
        document = copy.deepcopy(PLAIN[name])
        target: Any = document
        for key in place[:-1]:
            target = target[key]
        del target[place[-1]]
        path.write_text(yaml.dump(document, Dumper=DUMPER), encoding="utf-8")
        load: Callable[[Path], object] = load_stand if name == "sim-bench.yaml" else load_profile
        try:
            load(path)
        except DescriptionError:
            said += 1
    assert said > 3
