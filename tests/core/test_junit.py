"""Findings as test results: fit for the published schema, one case a check that was made, hostile names as they are."""

from __future__ import annotations

import subprocess
import sys
import tarfile
from pathlib import Path
from xml.etree import ElementTree

import pytest
from lxml import etree

from ringwright.core.checks import checks_made
from ringwright.core.findings import CHECKS
from ringwright.core.inspection import Inspection
from ringwright.core.junit import FileOutcome, batch_to_junit, to_junit
from support.open_data import CACHE_FOLDER
from support.report_cases import CASES, HOSTILE, make_case

SCHEMA_PACKAGE, SCHEMA_VERSION = "pytest", "8.3.5"
SCHEMA_MEMBER = f"{SCHEMA_PACKAGE}-{SCHEMA_VERSION}/testing/example_scripts/junit-10.xsd"
READABLE = HOSTILE.replace("\x01", "\ufffd").replace("\u202e", "\ufffd")
FILES = (FileOutcome("sound.obj", 0, "Sound: no error, no warning.", 1.25), FileOutcome(HOSTILE, 1, HOSTILE, 2.0),
         FileOutcome("broken\ud800.stl", 2, "broken", 0.0))


def suite_of(text: str) -> ElementTree.Element:
    suite = ElementTree.fromstring(text.encode()).find("testsuite")
    assert suite is not None
    return suite


def names_with(suite: ElementTree.Element, tag: str) -> set[str | None]:
    return {case.get("name") for case in suite if case.find(tag) is not None}


def names_of(inspection: Inspection, severity: str) -> set[str]:
    return {finding.name for finding in inspection.findings if finding.severity == severity}


@pytest.mark.parametrize("name", CASES)
def test_suite_says_what_the_inspection_says(name: str) -> None:
    inspection = make_case(name).inspection
    suite = suite_of(to_junit(inspection, 'mesh "a" & <b>'))
    assert suite.get("name") == 'mesh "a" & <b>'
    assert [case.get("name") for case in suite] == list(checks_made(inspection))
    errors, warnings = names_of(inspection, "error"), names_of(inspection, "warning")
    assert names_with(suite, "failure") == errors and names_with(suite, "skipped") == warnings - errors
    assert (suite.get("tests"), suite.get("failures"), suite.get("errors"), suite.get("skipped")) == (
        str(len(suite)), str(len(errors)), "0", str(len(warnings - errors)))
    for finding in inspection.findings:
        (case,) = [case for case in suite if case.get("name") == finding.name]
        assert finding.mend in "".join(case.itertext())


def test_faults_are_there_to_be_told() -> None:
    inspection = make_case("faults").inspection
    assert names_of(inspection, "error") and names_of(inspection, "warning") and names_of(inspection, "note")


def test_a_check_that_was_not_made_has_not_passed() -> None:
    sound = {case.get("name") for case in suite_of(to_junit(make_case("sound").inspection, "sound"))}
    assert "triangles" in sound and not sound & {"vertices_off_target", "poor_bend", "uv_overlap", "object_name", "long_quads"}
    everything = {case.get("name") for case in suite_of(to_junit(make_case("everything").inspection, "everything"))}
    assert {"vertices_off_target", "poor_bend", "uv_overlap"} <= everything < set(CHECKS)


def test_hostile_names_are_read_back_as_they_are() -> None:
    text = to_junit(make_case("faults").inspection, HOSTILE)
    suite = suite_of(text)
    assert suite.get("name") == READABLE and READABLE in "".join(suite.itertext())
    assert suite.find(".//script") is None
    batch = suite_of(batch_to_junit(HOSTILE, FILES))
    assert [case.get("name") for case in batch] == ["sound.obj", READABLE, "broken\ufffd.stl"]


def test_a_batch_is_a_suite_of_files() -> None:
    suite = suite_of(batch_to_junit("batch", FILES))
    assert names_with(suite, "failure") == {READABLE} and names_with(suite, "error") == {"broken\ufffd.stl"}
    assert (suite.get("tests"), suite.get("failures"), suite.get("errors"), suite.get("skipped")) == ("3", "1", "1", "0")
    assert [case.get("time") for case in suite] == ["1.250", "2.000", "0.000"]


def require_schema() -> etree.XMLSchema:
    """The schema of the xunit plugin, as the source package of pytest carries it (MIT licence); fetched once, never committed."""
    place = CACHE_FOLDER / f"{SCHEMA_PACKAGE}-{SCHEMA_VERSION}.tar.gz"
    if not place.exists():
        CACHE_FOLDER.mkdir(parents=True, exist_ok=True)
        command = [sys.executable, "-m", "pip", "download", "--no-deps", "--no-binary", SCHEMA_PACKAGE, "--retries", "1", "--timeout", "20",
                   "--quiet", "--disable-pip-version-check", "--dest", str(CACHE_FOLDER), f"{SCHEMA_PACKAGE}=={SCHEMA_VERSION}"]
        try:
            fetched = subprocess.run(command, capture_output=True, text=True, timeout=240, check=False).returncode == 0
        except subprocess.TimeoutExpired:
            fetched = False
        if not fetched or not place.exists():
            pytest.skip(f"The schema is not cached and cannot be fetched: it comes with {SCHEMA_PACKAGE} {SCHEMA_VERSION}'s source.")
    return etree.XMLSchema(etree.fromstring(_member(place)))


def _member(archive: Path) -> bytes:
    with tarfile.open(archive) as members:
        member = members.extractfile(SCHEMA_MEMBER)
        assert member is not None
        return member.read()


@pytest.mark.slow
@pytest.mark.real
def test_published_schema_accepts_it() -> None:
    schema = require_schema()
    for name in CASES:
        schema.assertValid(etree.fromstring(to_junit(make_case(name).inspection, HOSTILE).encode()))
    schema.assertValid(etree.fromstring(batch_to_junit("batch", FILES).encode()))
    spoilt = batch_to_junit("batch", FILES).replace("<testcase ", "<testcase colour='red' ", 1)
    assert not schema.validate(etree.fromstring(spoilt.encode()))
