"""What the flex test says: a verdict for every joint, findings, text, data, pictures."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from .adjacency import Adjacency, build_adjacency
from .counted import counted
from .findings import SEVERITIES, Finding
from .flex import Flex, JointFlex, MotionFigures, Skinned, posed
from .flex_advice import OUT_OF_CREASE, advice
from .inspection import Inspection, with_severities
from .picture import Picture, draw_cage
from .polymesh import FACE_LIMB, BoolArray, PolyMesh
from .poses import Pose, set_poses
from .profiles import Profile
from .quality import scaled_jacobian
from .raster import View, close_view, four_views
from .skin_weights import ancestry

GRADES = ("good", "fair", "poor")
SAME_VOLUME = 0.01
"""Shares of volume that differ by less are told as one."""
WORST_SHOWN = 4
"""Joints whose worst bend is drawn."""
PICTURE_SIZE = 420
"""Width and height of a picture of a bend, pixels."""
REACH_RADII = (4.5, 8.0)
"""Least and largest half of the width of a picture of one joint, radii of the limb."""
MOST_TINTED = 24
"""Folded faces that are tinted in it, the worst first."""


@dataclass(frozen=True)
class FlexLimits:
    """Where a joint's figures turn from good to fair and from fair to poor; each of its motions must keep them.

    A professional mesh of an arm, bound and bent in the same way, keeps half of its elbow's volume at 145 degrees,
    turns up to nine faces over in a finger and drops to a scaled Jacobian of -0.9, so that only what is worse is poor.

    volume : least share kept
    jacobian : least scaled Jacobian
    flipped : most faces turned over, as a share of the faces that bend
    """

    good_volume: float = 0.7
    good_jacobian: float = 0.2
    fair_volume: float = 0.5
    fair_jacobian: float = -0.5
    fair_flipped: float = 0.1


def grade(joint: JointFlex, limits: FlexLimits | None = None) -> str:
    """The verdict on a joint: "good", "fair" or "poor"."""
    limits = limits or FlexLimits()
    volume, jacobian, flipped = joint.volume_kept, joint.smallest_jacobian, joint.flipped_faces
    if volume >= limits.good_volume and jacobian >= limits.good_jacobian and not flipped:
        return "good"
    few = flipped <= limits.fair_flipped * max(len(joint.worst_faces), 1)
    return "fair" if volume >= limits.fair_volume and jacobian >= limits.fair_jacobian and few else "poor"


def with_flex(inspection: Inspection, flex: Flex, profile: Profile | None = None) -> Inspection:
    """The inspection with the flex test and its findings, as severe as the profile says."""
    findings = [*inspection.findings, *with_severities(flex_findings(flex), profile or Profile())]
    findings.sort(key=lambda finding: SEVERITIES.index(finding.severity))
    return replace(inspection, findings=tuple(findings), flex=flex)


def flex_findings(flex: Flex) -> list[Finding]:
    """A finding for every joint that bends poorly and for every crease with a pole in it."""
    found = []
    for joint in flex.joints:
        bone = flex.skinned.skeleton.bones[joint.bone]
        if joint.motions and grade(joint) == "poor":
            reason = f'The joint at the head of "{joint.name}" bends poorly: {describe_joint(joint)}.'
            found.append(Finding("poor_bend", "warning", "face", joint.worst_faces[:12], joint.place, reason, advice(flex, joint)))
        if len(joint.crease_poles) and not bone.is_branch:
            found.append(Finding("pole_in_crease", "warning", "vertex", joint.crease_poles, joint.place,
                                 f'{counted(len(joint.crease_poles), "pole")} in the crease of the joint at the head of "{joint.name}".',
                                 OUT_OF_CREASE))
    return found


def describe_joint(joint: JointFlex) -> str:
    """The worst motion in words and, where another one costs more volume, that one's volume: both make the verdict."""
    leanest = min(joint.motions, key=lambda each: each.volume_kept)
    words = describe_motion(joint.worst)
    if leanest.volume_kept < joint.worst.volume_kept - SAME_VOLUME:
        words += f"; {leanest.motion} keeps {leanest.volume_kept:.0%} of the volume"
    return words


def describe_motion(figures: MotionFigures) -> str:
    """The figures of a motion in words."""
    return (f"{figures.motion} keeps {figures.volume_kept:.0%} of the volume, smallest scaled Jacobian "
            f"{figures.smallest_jacobian:.2f}, shortest edge {figures.shortest_edge:.0%} of its length, "
            f"{counted(figures.flipped_faces, 'face')} turned over")


def help_for(flex: Flex, joint: JointFlex) -> str:
    """What would help a joint; nothing where it bends well."""
    return "" if grade(joint) == GRADES[0] else advice(flex, joint)


def flex_lines(flex: Flex) -> list[str]:
    """The flex test as lines of plain text."""
    grades = [grade(joint) for joint in flex.joints if joint.motions]
    lines = ["joints bent " + str(len(grades)) + ": " + ", ".join(f"{grades.count(each)} {each}" for each in GRADES)]
    lines += [f"  {joint.name} ({joint.role}): {grade(joint)}; {describe_joint(joint)}" for joint in flex.joints if joint.motions]
    lines += [f"  pose {pose.name}: smallest scaled Jacobian {pose.smallest_jacobian:.2f}, "
              f"{counted(pose.flipped_faces, 'face')} turned over, {pose.contact_faces} in contact" for pose in flex.poses]
    return lines


def flex_data(flex: Flex) -> dict[str, Any]:
    """The flex test as data that ``json`` can write."""
    return {"joints": [_joint_data(flex, joint) for joint in flex.joints if joint.motions],
            "poses": [{"name": pose.name, "shortest_edge": pose.shortest_edge, "smallest_scaled_jacobian": pose.smallest_jacobian,
                       "flipped_faces": pose.flipped_faces, "contact_faces": pose.contact_faces} for pose in flex.poses]}


def _joint_data(flex: Flex, joint: JointFlex) -> dict[str, Any]:
    return {"bone": joint.name, "kind": joint.role, "verdict": grade(joint), "help": help_for(flex, joint), "place": joint.place.tolist(),
            "poles_in_crease": joint.crease_poles.tolist(), "motions": [
                {"motion": each.motion.name, "degrees": each.motion.degrees, "turn": list(each.motion.turn),
                 "volume_kept": each.volume_kept, "shortest_edge": each.shortest_edge,
                 "smallest_scaled_jacobian": each.smallest_jacobian, "scaled_jacobian_at_rest": each.resting_jacobian,
                 "flipped_faces": each.flipped_faces, "contact_faces": each.contact_faces,
                 "contact_from": each.contact_from if math.isfinite(each.contact_from) else None, "loop_drift": each.loop_drift}
                for each in joint.motions]}


FLEX_COLUMNS = ("Joint", "Kind", "Verdict", "Worst motion", "Volume kept", "Shortest edge", "Scaled Jacobian", "at rest",
                "Faces turned over", "Faces in contact", "Contact from", "Loop drift, radii", "Poles in crease")
"""Headings of the report's table of joints."""


def flex_rows(flex: Flex) -> list[Sequence[str]]:
    """The report's table of joints, a row each, the worst first."""
    rows: list[Sequence[str]] = []
    for joint in worst_first(flex):
        worst = joint.worst
        contact = f"{worst.contact_from:.0%} of the way" if math.isfinite(worst.contact_from) else "none"
        rows.append((joint.name, joint.role, grade(joint), str(worst.motion), f"{worst.volume_kept:.0%}",
                     f"{worst.shortest_edge:.0%}", f"{worst.smallest_jacobian:.2f}", f"{worst.resting_jacobian:.2f}",
                     str(worst.flipped_faces), str(worst.contact_faces), contact, f"{worst.loop_drift:.2f}",
                     str(len(joint.crease_poles))))
    return rows


def help_rows(flex: Flex) -> list[Sequence[str]]:
    """Joints that do not bend well with what would help them, the worst first."""
    return [(joint.name, words) for joint in worst_first(flex) if (words := help_for(flex, joint))]


def worst_first(flex: Flex) -> list[JointFlex]:
    """The joints that were bent, the worst first: by verdict, then by their smallest scaled Jacobian."""
    return sorted((joint for joint in flex.joints if joint.motions),
                  key=lambda joint: (-GRADES.index(grade(joint)), joint.worst.smallest_jacobian))


def picture_flex(flex: Flex) -> tuple[Picture, ...]:
    """The worst bends enlarged, faces from the worst on tinted, and every set pose."""
    pictures = [_picture_joint(flex, joint) for joint in worst_first(flex)[:WORST_SHOWN]]
    return (*pictures, *(_picture_pose(flex, pose.name) for pose in flex.poses))


def _picture_joint(flex: Flex, joint: JointFlex) -> Picture:
    """A joint at its worst motion, seen along its hinge; faces that fold there are tinted."""
    cage, bone = flex.skinned, flex.skinned.skeleton.bones[joint.bone]
    bent = posed(cage, {joint.bone: joint.worst.motion.turn})
    axes = np.array([bone.direction, np.cross(bone.hinge, bone.direction), bone.hinge])
    view = close_view(View(axes, joint.place, 1.0, PICTURE_SIZE, PICTURE_SIZE), joint.place, _reach(cage, joint, bent))
    kept = np.flatnonzero(~faces_of_other_branches(cage, joint))
    shown = PolyMesh.from_faces(bent.positions, [bent.face(int(face)).tolist() for face in kept])
    folded = [face for face in joint.worst_faces[:MOST_TINTED].tolist() if _jacobian(bent, face) < FlexLimits().good_jacobian]
    focus = np.flatnonzero(np.isin(kept, folded)).astype(np.int32)
    image = draw_cage(view, shown, _whole(build_adjacency(shown)), focus=focus)
    return Picture(f"bend_{joint.bone}", f'"{joint.name}", {describe_joint(joint)}.', image)


def _reach(cage: Skinned, joint: JointFlex, bent: PolyMesh) -> float:
    """Half the width of a picture that holds all that a joint moves, within limits."""
    radius = cage.blends[joint.bone].radius
    moved = ancestry(cage.skeleton.parents)[cage.nearest, joint.bone]
    farthest = float(np.linalg.norm(bent.positions[moved] - joint.place, axis=1).max(initial=0.0))
    return float(np.clip(1.1 * farthest, REACH_RADII[0] * radius, REACH_RADII[1] * radius))


def faces_of_other_branches(cage: Skinned, joint: JointFlex) -> BoolArray:
    """Faces of limbs that are neither behind nor before a joint, which would hide it, (F,) bool."""
    below, mesh = ancestry(cage.skeleton.parents), cage.mesh
    related = below[:, joint.bone] | below[joint.bone]
    of_faces = mesh.attributes.get(FACE_LIMB)
    if of_faces is not None:
        return ~np.isin(of_faces, [bone.number for bone, near in zip(cage.skeleton.bones, related, strict=True) if near])
    return np.asarray(~np.logical_or.reduceat(related[cage.nearest][mesh.corner_verts], mesh.face_offsets[:-1]))


def _jacobian(mesh: PolyMesh, face: int) -> float:
    corners = mesh.face(face)
    return float(scaled_jacobian(mesh.positions[corners][None])[0]) if len(corners) == 4 else 1.0


def _whole(adjacency: Adjacency) -> Adjacency:
    """The same, but edges where skin was left out are drawn as any others and not as open ends."""
    return replace(adjacency, edge_face_count=np.maximum(adjacency.edge_face_count, 2))


def _picture_pose(flex: Flex, name: str) -> Picture:
    bent = posed(flex.skinned, set_poses(flex.skinned.skeleton, flex.ranges)[name])
    view = four_views(bent.positions, PICTURE_SIZE)[0]
    figures = next(pose for pose in flex.poses if pose.name == name)
    return Picture(f"pose_{name}", f"Pose {name}: smallest scaled Jacobian {figures.smallest_jacobian:.2f}, "
                   f"{counted(figures.flipped_faces, 'face')} turned over.", draw_cage(view, bent, build_adjacency(bent)))


def animation_poses(flex: Flex) -> list[tuple[str, Pose]]:
    """What an animation of the test goes through, back to rest after each: every joint at its full flexion and, where another motion is
    its worst, at that one; then the set poses."""
    alone: list[tuple[str, Pose]] = []
    for joint in flex.joints:
        if joint.motions:
            shown = dict.fromkeys((joint.motions[0].motion, joint.worst.motion))
            alone += [(bend_label(joint.name, motion), {joint.bone: motion.turn}) for motion in shown]
    return [*alone, *set_poses(flex.skinned.skeleton, flex.ranges).items()]


def bend_label(bone: str, motion: object) -> str:
    """What one bend of the animation is called."""
    return f"{bone}, {motion}"

