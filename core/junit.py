"""An inspection as JUnit XML, so that a studio's continuous integration shows findings as test results.

Every check that was made is a test case. A finding of severity error is a failure, a warning a skipped case, a note
is the case's output; a check that found nothing has passed. A batch is a suite with a case for every file.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape  # that of xml.sax brings a web client along

from .checks import checks_made
from .findings import Finding
from .inspection import Inspection
from .printable import printable

FOUND = 1
REFUSED = 2


@dataclass(frozen=True)
class FileOutcome:
    """How the work on one file of a batch ended.

    name : of the file's folder of outputs
    code : exit code; 0 fine, 1 findings of severity error, 2 refused
    said : the outcome in one line
    seconds : how long it took
    """

    name: str
    code: int
    said: str
    seconds: float


def to_junit(inspection: Inspection, title: str) -> str:
    """The inspection as JUnit XML.

    title : name of the suite
    """
    checks = checks_made(inspection)
    cases = [_case(name, [finding for finding in inspection.findings if finding.name == name]) for name in checks]
    failed = {finding.name for finding in inspection.findings if finding.severity == "error"}
    warned = {finding.name for finding in inspection.findings if finding.severity == "warning"} - failed
    return _suite(title, cases, failures=len(failed), errors=0, skipped=len(warned))


def batch_to_junit(title: str, files: Sequence[FileOutcome]) -> str:
    """A batch as JUnit XML: a failure for a file with errors found in it, an error for one that was refused.

    title : name of the suite
    """
    failures, errors = (sum(file.code == code for file in files) for code in (FOUND, REFUSED))
    return _suite(title, [_file_case(file) for file in files], failures=failures, errors=errors, skipped=0)


def _suite(title: str, cases: Sequence[str], *, failures: int, errors: int, skipped: int) -> str:
    counts = f'tests="{len(cases)}" failures="{failures}" errors="{errors}" skipped="{skipped}"'
    body = "\n".join(cases)
    return (f'<?xml version="1.0" encoding="UTF-8"?>\n<testsuites name="ringwright" tests="{len(cases)}" failures="{failures}" '
            f'errors="{errors}">\n<testsuite name={_attribute(title)} {counts}>\n{body}\n</testsuite>\n</testsuites>\n')


def _file_case(file: FileOutcome) -> str:
    start = f'  <testcase classname="ringwright.batch" name={_attribute(file.name)} time="{file.seconds:.3f}"'
    if file.code not in (FOUND, REFUSED):
        return f"{start}>\n    <system-out>{_text(file.said)}</system-out>\n  </testcase>"
    tag, kind = ("failure", "findings") if file.code == FOUND else ("error", "refused")
    return f'{start}>\n    <{tag} type="{kind}" message={_attribute(file.said)}/>\n  </testcase>'


def _case(name: str, findings: list[Finding]) -> str:
    start = f'  <testcase classname="ringwright.inspection" name="{name}"'
    if not findings:
        return f"{start}/>"
    reasons = " ".join(finding.reason for finding in findings)
    detail = "\n".join(map(str, findings))
    if any(finding.severity == "error" for finding in findings):
        inner = f'    <failure type="error" message={_attribute(reasons)}>{_text(detail)}</failure>'
    elif any(finding.severity == "warning" for finding in findings):
        inner = f"    <skipped message={_attribute(reasons)}/>\n    <system-out>{_text(detail)}</system-out>"
    else:
        inner = f"    <system-out>{_text(detail)}</system-out>"
    return f"{start}>\n{inner}\n  </testcase>"


def _attribute(text: str) -> str:
    return f'"{escape(printable(text)).replace(chr(10), " ").replace(chr(9), "&#9;")}"'


def _text(text: str) -> str:
    return escape(printable(text), quote=False)
