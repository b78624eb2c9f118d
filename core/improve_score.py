"""How a whole cage bends and fits, told so that two cages can be compared figure by figure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from .adjacency import build_adjacency
from .build import BuildResult
from .flex import JointFlex, PoseFigures, Study, joint_flex, pose_flex, skinned
from .flex_report import GRADES, grade
from .joint_motion import JointRange
from .mirror import AXES
from .plan import LimbPlan
from .polymesh import FloatArray, PolyMesh
from .poses import set_poses
from .quality import scaled_jacobian
from .skeleton import skeleton_of
from .surface import Surface
from .two_sided import is_two_sided

NOTABLE = 0.001
"""A tenth of the last digit that a report shows of a share of volume or a scaled Jacobian: what differs by less reads the same. (Tried on
a leg: with 0.005 three more of 16 joints become good, and others lose up to that.)"""
SAME = 1e-9
"""Rounding; a mean over all joints that falls by more is a loss."""
SAME_FIT = 0.01
"""A mean distance from the target reads the same within this share."""
SOUND_JACOBIAN = 0.5
"""A cage whose worst quad keeps this scaled Jacobian at rest is as sound as any; only below it a loss counts."""
VERDICT = 0.1
"""What a joint's better verdict is worth beside its figures."""


@dataclass(frozen=True)
class BendScore:
    """How a whole cage bends and fits, and what it must not lose for it.

    poor, fair : joints by verdict
    volume : mean share of volume kept at the joints, each at its worst motion
    jacobian : mean of the joints' smallest scaled Jacobians
    flipped : mean share of a joint's bending faces that are turned over at its worst motion
    quads : faces in all
    resting_jacobian : smallest scaled Jacobian at rest
    weight : deviations of all valences from a regular grid's
    crease_poles : poles on the inner side of a limb's bends
    deviation : mean distance of faces and edges from the target, target units
    """

    poor: int
    fair: int
    volume: float
    jacobian: float
    flipped: float
    quads: int
    resting_jacobian: float
    weight: int
    crease_poles: int
    deviation: float

    def no_worse_than(self, other: BendScore) -> bool:
        """Whether every figure is at least as good."""
        return (self.poor <= other.poor and self.poor + self.fair <= other.poor + other.fair
                and self.volume >= other.volume - SAME and self.jacobian >= other.jacobian - SAME
                and self.flipped <= other.flipped + SAME and self.weight <= other.weight and self.crease_poles <= other.crease_poles
                and self.resting_jacobian >= min(other.resting_jacobian, SOUND_JACOBIAN) - SAME
                and self.deviation <= (1.0 + SAME_FIT) * other.deviation)


@dataclass(frozen=True)
class Bends:
    """A cage with what its joints and set poses come to.

    joints : those that were bent; no faces in contact were looked for
    """

    study: Study
    joints: tuple[JointFlex, ...]
    poses: tuple[PoseFigures, ...]

    @property
    def figures(self) -> FloatArray:
        """Figures of every joint, then of every pose, of which more is better, (n, 4) float64."""
        rows = [joint_figures(self.study, joint) for joint in self.joints] + [_pose_figures(self.study, pose) for pose in self.poses]
        return np.array(rows, dtype=np.float64).reshape(-1, 4)

    @property
    def merit(self) -> float:
        """All figures and verdicts in one number, by which cages are ordered of which none has a figure worse than the first one's."""
        return float(self.figures.sum()) - VERDICT * sum(GRADES.index(grade(joint)) for joint in self.joints)

    def of_joint(self, bone: int) -> Figures:
        """Those of the joint at a bone's head."""
        return joint_figures(self.study, next(joint for joint in self.joints if joint.bone == bone))


Figures = tuple[float, float, float, float]
"""Share of volume kept, smallest scaled Jacobian, share of faces turned over, poles in the crease; the latter two below 0."""


def joint_figures(study: Study, joint: JointFlex) -> Figures:
    """The figures of a joint, each at its worst motion; where branches leave their trunk, poles cannot be helped."""
    poles = 0 if study.cage.skeleton.bones[joint.bone].is_branch else len(joint.crease_poles)
    return joint.volume_kept, joint.smallest_jacobian, -joint.flipped_share, -float(poles)


def _pose_figures(study: Study, pose: PoseFigures) -> Figures:
    """The same of a set pose, in which no volume is measured."""
    return 1.0, pose.smallest_jacobian, -pose.flipped_faces / study.cage.mesh.face_count, 0.0


def study_of(plan: LimbPlan, result: BuildResult) -> Study:
    """A built cage bound to its plan's bones."""
    return Study.of(skinned(result.mesh, skeleton_of(plan)))


def bent_joints(study: Study, ranges: Mapping[str, JointRange]) -> Iterator[JointFlex]:
    """The joints that have a range, bent one by one."""
    for index in study.cage.skeleton.joints():
        joint = joint_flex(study, index, ranges)
        if joint.motions:
            yield joint


def bent_poses(study: Study, ranges: Mapping[str, JointRange]) -> Iterator[PoseFigures]:
    """The set poses, one by one."""
    for name, pose in set_poses(study.cage.skeleton, ranges).items():
        yield pose_flex(study, name, pose)


def whole_score(plan: LimbPlan, result: BuildResult, bends: Bends, surface: Surface) -> BendScore:
    """How a built cage bends and fits."""
    grades = [grade(joint) for joint in bends.joints]
    adjacency = build_adjacency(result.mesh)
    off = np.where(adjacency.boundary_vertex, 3, 4) - adjacency.valence
    figures = bends.figures[: len(grades)] if grades else np.array([(1.0, 1.0, 0.0, 0.0)])
    volume, jacobian, flipped, _ = figures.mean(axis=0).tolist()
    return BendScore(grades.count(GRADES[2]), grades.count(GRADES[1]), volume, jacobian, -flipped, result.mesh.face_count,
                     float(scaled_jacobian(result.mesh.positions[result.mesh.quads()]).min(initial=1.0)), int(np.abs(off).sum()),
                     round(-float(figures[:, 3].sum())), _deviation(plan, result.mesh, surface))


def _deviation(plan: LimbPlan, mesh: PolyMesh, surface: Surface) -> float:
    """Mean distance of the middles of faces and of their edges; of a mirrored cage those of the side that was built."""
    corners = mesh.positions[mesh.quads()]
    points = np.concatenate([corners.mean(axis=1), (0.5 * (corners + np.roll(corners, 1, axis=1))).reshape(-1, 3)])
    if plan.symmetry is not None and not is_two_sided(plan):
        side = np.concatenate([limb.joints for limb in plan.limbs])[:, AXES[plan.symmetry]].mean()
        points = points[points[:, AXES[plan.symmetry]] * side >= 0.0]
    return float(surface.closest(points).distances.mean())
