"""Without a stand the plugin does nothing: any project's pytest in the same environment is left alone."""

from __future__ import annotations

import pytest

HEAVY = ("pydantic", "pymodbus", "pyvisa", "serial", "numpy", "yaml", "rich", "jinja2", "sqlalchemy")
FOREIGN = """
def test_theirs(request):
    manager = request.config.pluginmanager
    assert manager.getplugin("hilseq-visit") is None
    assert manager.getplugin("hilseq-fixtures") is None

def test_their_own_fixture_of_a_name_we_use(unit):
    assert unit == "theirs"
"""


def test_a_foreign_project_is_left_alone(pytester: pytest.Pytester) -> None:
    """No hooks, no fixtures; its own fixture of a name that we use too is its own; nothing is written."""
    pytester.makepyfile(FOREIGN)
    pytester.makeconftest("import pytest\n\n@pytest.fixture\ndef unit():\n    return 'theirs'\n")
    result = pytester.runpytest_subprocess("-p", "no:cacheprovider")
    result.assert_outcomes(passed=2)
    result.stdout.no_fnmatch_line("*hilseq*disposition*")
    assert not list(pytester.path.rglob("*.jsonl"))
    assert not (pytester.path / "runs").exists()


def test_nothing_heavy_is_imported(pytester: pytest.Pytester) -> None:
    """The entry point costs every pytest run of the environment next to nothing."""
    pytester.makepyfile(
        f"import sys\n\ndef test_it():\n    assert [n for n in {HEAVY!r} if n in sys.modules] == []\n"
    )
    result = pytester.runpytest_subprocess("-p", "no:cacheprovider", "-p", "no:allure_pytest")
    result.assert_outcomes(passed=1)


def test_our_fixtures_are_unknown_without_a_stand(pytester: pytest.Pytester) -> None:
    """A sequence that is run without a stand says which fixture is missing; it does not pass by accident."""
    pytester.makepyfile("def test_it(ready_unit):\n    pass\n")
    result = pytester.runpytest_subprocess("-p", "no:cacheprovider")
    result.assert_outcomes(errors=1)
    result.stdout.fnmatch_lines(["*fixture 'ready_unit' not found*"])


def test_the_options_are_explained(pytester: pytest.Pytester) -> None:
    """`pytest --help` and `pytest --markers` tell what there is."""
    helped = pytester.runpytest_subprocess("--help").stdout.str()
    for option in ("--stand", "--unit", "--serial", "--intake", "--note", "--retest", "--attended"):
        assert option in helped
    marked = pytester.runpytest_subprocess("--markers").stdout.str()
    for marker in ("@pytest.mark.gate", "@pytest.mark.stage(name)", "@pytest.mark.needs(section)"):
        assert marker in marked
