"""A package that is missing is named, with how it is had."""

from __future__ import annotations

import pytest

from hilseq.errors import not_installed


@pytest.mark.parametrize(
    ("module", "words"),
    [
        ("sqlalchemy", "this needs sqlalchemy: python -m pip install 'hilseq[records]'"),
        ("sqlalchemy.orm", "this needs sqlalchemy: python -m pip install 'hilseq[records]'"),
        ("greenlet", "this needs greenlet: python -m pip install greenlet"),
    ],
)
def test_any_module_that_is_missing_is_named(module: str, words: str) -> None:
    """Of an extra, inside a package, or what a package of ours needs itself."""
    assert str(not_installed(module)) == words
