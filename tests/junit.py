"""What JUnit XML must look like for those who read it.

Source: `junit-10.xsd` of pytest-dev/pytest (the flavour of CI servers; check values 11.2) and the annotations of
`JUnit.xsd` of windyroad/JUnit-Schema (11.3). The stricter schema (11.1) wants a `type` of each failure, which pytest
does not write. `properties` of a test case are in neither, and CI servers read them: the one addition.
"""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

_SUITE = {"name", "tests", "failures", "errors"}
_ENDS = {"skipped", "failure", "error", "rerunFailure", "rerunError", "flakyFailure", "flakyError"}
_CHILDREN = _ENDS | {"system-out", "system-err", "properties"}


def assert_is_junit(path: Path) -> None:
    """Assert that a file is JUnit XML whose totals are those of its cases."""
    root = ET.parse(path).getroot()
    assert root.tag == "testsuites"
    for suite in root:
        assert suite.tag == "testsuite"
        assert suite.attrib.keys() >= _SUITE
        cases = suite.findall("testcase")
        assert int(suite.attrib["tests"]) == len(cases)
        for total, tag in (("failures", "failure"), ("errors", "error"), ("skipped", "skipped")):
            assert int(suite.attrib[total]) == len([case for case in cases if case.find(tag) is not None])
        for case in cases:
            assert case.attrib.keys() >= {"name", "classname", "time"}
            assert {child.tag for child in case} <= _CHILDREN
            assert len([child for child in case if child.tag in _ENDS]) <= 1


def properties_of(path: Path, name: str) -> dict[str, str]:
    """Return the properties of one test case."""
    (case,) = ET.parse(path).getroot().findall(f".//testcase[@name='{name}']")
    return {entry.attrib["name"]: entry.attrib["value"] for entry in case.iter("property")}
