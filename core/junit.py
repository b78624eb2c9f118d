"""An inspection as JUnit XML, so that a studio's continuous integration shows findings as test results.

Every check is a test case. A finding of severity error is a failure, a warning a skipped case, a note is the
case's output; a check that found nothing has passed.
"""

from __future__ import annotations

import re
from xml.sax.saxutils import escape, quoteattr

from .findings import CHECKS, Finding
from .inspection import Inspection

_CONTROL = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")
"""Characters that XML 1.0 cannot hold."""


def to_junit(inspection: Inspection, title: str) -> str:
    """The inspection as JUnit XML.

    title : name of the suite
    """
    cases = "\n".join(_case(name, [finding for finding in inspection.findings if finding.name == name]) for name in CHECKS)
    failed = len({finding.name for finding in inspection.findings if finding.severity == "error"})
    warned = len({finding.name for finding in inspection.findings if finding.severity == "warning"}
                 - {finding.name for finding in inspection.findings if finding.severity == "error"})
    counts = f'tests="{len(CHECKS)}" failures="{failed}" errors="0" skipped="{warned}"'
    return (f'<?xml version="1.0" encoding="UTF-8"?>\n<testsuites name="ringwright" {counts}>\n'
            f"<testsuite name={_attribute(title)} {counts}>\n{cases}\n</testsuite>\n</testsuites>\n")


def _case(name: str, findings: list[Finding]) -> str:
    start = f'  <testcase classname="ringwright.inspection" name="{name}"'
    if not findings:
        return f"{start}/>"
    reasons = " ".join(finding.reason for finding in findings)
    detail = "\n".join(f"{finding.severity}: {finding.reason} {finding.mend}{_where(finding)}" for finding in findings)
    if any(finding.severity == "error" for finding in findings):
        inner = f'    <failure type="error" message={_attribute(reasons)}>{_text(detail)}</failure>'
    elif any(finding.severity == "warning" for finding in findings):
        inner = f"    <skipped message={_attribute(reasons)}/>\n    <system-out>{_text(detail)}</system-out>"
    else:
        inner = f"    <system-out>{_text(detail)}</system-out>"
    return f"{start}>\n{inner}\n  </testcase>"


def _where(finding: Finding) -> str:
    return "" if finding.place is None else " Look at " + ", ".join(f"{value:.6g}" for value in finding.place) + "."


def _attribute(text: str) -> str:
    return quoteattr(_CONTROL.sub("\ufffd", text).replace("\n", " "))


def _text(text: str) -> str:
    return escape(_CONTROL.sub("\ufffd", text))
