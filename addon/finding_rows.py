"""Findings and rings of the last check as rows that the panels show."""

from __future__ import annotations

from typing import Any

import numpy as np

from ..core.counted import counted
from ..core.findings import Finding
from ..core.flex import Flex, JointFlex
from ..core.flex_report import describe_joint, grade, help_for, worst_first
from ..core.inspection import Inspection
from ..core.polymesh import IntArray
from ..core.ring_report import RingReport

MOST_STORED = 20_000
"""Elements of one finding that a row keeps: enough to select, little enough to save with the file."""


def store_findings(settings: Any, inspection: Inspection) -> None:
    """Replace the rows of findings."""
    settings.findings.clear()
    settings.active_finding = 0
    for finding in inspection.findings:
        _fill_finding(settings.findings.add(), finding)
    counts, poles = inspection.counts, inspection.poles
    sizes = counts.face_sizes
    quads = "all quads" if set(sizes) <= {4} else counted(sizes.get(4, 0), "quad")
    excess = f", {counted(poles.excess, 'pole')} over the least" if poles.bound_from_plan and poles.excess > 0 else ""
    settings.summary = (f"{counted(counts.faces, 'face')}, {quads}, {counted(counts.components, 'piece')}, "
                        f"{counted(len(counts.boundary_loops), 'open end')}{excess}")


def store_bends(settings: Any, inspection: Inspection) -> None:
    """Replace the rows of findings and those of joints, the worst first."""
    store_findings(settings, inspection)
    settings.bends.clear()
    settings.active_bend = 0
    flex = inspection.flex
    if flex is not None:
        for joint in worst_first(flex):
            _fill_bend(settings.bends.add(), joint, flex)


def _fill_bend(row: Any, joint: JointFlex, flex: Flex) -> None:
    row.bone, row.verdict, row.motion = joint.name, grade(joint), str(joint.worst.motion)
    row.volume, row.sentence, row.help = joint.volume_kept, describe_joint(joint), help_for(flex, joint)
    row.place, row.reach = joint.place.tolist(), flex.skinned.blends[joint.bone].radius


def _fill_finding(row: Any, finding: Finding) -> None:
    row.kind, row.severity, row.reason, row.mend, row.domain = finding.name, finding.severity, finding.reason, finding.mend, finding.domain
    row.elements = pack(finding.elements)
    row.has_place = finding.place is not None
    row.place = (0.0, 0.0, 0.0) if finding.place is None else finding.place.tolist()


def store_rings(settings: Any, report: RingReport) -> None:
    """Replace the rows of rings: pairs with unlike counts first, then equal pairs, then ends."""
    settings.rings.clear()
    settings.active_ring = 0
    rings = report.boundaries
    pairs = sorted(report.pairs.pairs, key=lambda pair: not pair.is_mismatch)
    for pair in pairs:
        row = settings.rings.add()
        row.sentence, row.mismatch, row.first, row.second = pair.sentence(), pair.is_mismatch, pair.fuller, pair.sparser
        row.vertices = pack(np.concatenate([rings.ring(pair.fuller), rings.ring(pair.sparser)]))
        row.place = ((rings.centres[pair.fuller] + rings.centres[pair.sparser]) / 2).tolist()
    for end in report.pairs.ends.tolist():
        row = settings.rings.add()
        row.sentence, row.first = f"A ring of {int(rings.edge_counts[end])} edges faces no other: an end.", end
        row.vertices, row.place = pack(rings.ring(end)), rings.centres[end].tolist()
    unlike = sum(pair.is_mismatch for pair in pairs)
    settings.ring_summary = f"{counted(rings.count, 'open ring')}, {counted(len(pairs), 'pair')}, {unlike} with unlike counts"


def pack(elements: IntArray) -> str:
    """Indices, one or two an element, as text."""
    rows = elements[:MOST_STORED]
    return " ".join(":".join(map(str, np.atleast_1d(row).tolist())) for row in rows)


def unpack(text: str) -> list[tuple[int, ...]]:
    """The indices of every element."""
    return [tuple(int(part) for part in word.split(":")) for word in text.split()]
