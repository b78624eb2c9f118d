"""Real targets from the open base mesh: an arm with its hand, a leg with its foot, both sides, each with a limb plan.

Of a case the professional mesh is the yardstick: the part of the base mesh whose vertices follow the
limb's bones. The target is that part, subdivided until it is dense.

    PYTHONPATH=tests python -m support.real_cases FOLDER     writes every case to FOLDER/NAME
"""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np

from ringwright.core.adjacency import build_adjacency
from ringwright.core.build import BuildResult, build_cage
from ringwright.core.plan import read_plan
from ringwright.core.polymesh import FloatArray, IntArray, PolyMesh
from support.open_data import BaseMesh, load_base_mesh
from support.reference_surface import ReferenceSurface
from support.subdivision import catmull_clark

CASE_NAMES = ("arm_right", "arm_left", "leg_right", "leg_left")
ROUNDS = 4  # 2 * 4**4 triangles for every quad: over 800,000 in each case
START_MARGIN = 0.04  # of the first bone: distance of an open limb's first joint from the cut
TIP_DEPTH = 0.1  # of the last bone: least distance of a digit's last joint from the skin
FINGERS = {"little": 5, "ring": 4, "middle": 3, "index": 2}  # in order across; the rig counts the thumb as 1
TOES = {"big_toe": 1, "second_toe": 2, "third_toe": 3, "fourth_toe": 4, "little_toe": 5}


@dataclass(frozen=True)
class Limb:
    """A limb of a plan.

    joints : (n, 3) float64, metres, from the root to the tip
    tip : ``closed`` or ``open``
    """

    joints: FloatArray
    tip: str = "open"


@dataclass(frozen=True)
class RealCase:
    """A real limb to rebuild.

    name : one of CASE_NAMES
    professional : the base mesh's own quads of this limb, metres
    target : the same subdivided, all quads; ``target.triangles()`` is the dense sculpt
    surface : the target for questions, its tree built once for all tests
    limbs : joint chains by limb name
    joins : the plan's forks, sockets and splices, TOML text
    """

    name: str
    professional: PolyMesh
    target: PolyMesh
    surface: ReferenceSurface
    limbs: Mapping[str, Limb]
    joins: str

    def comparable(self) -> PolyMesh:
        """The professional quads past the plane of the first joint, where a cage built from the plan begins."""
        root, onward = next(iter(self.limbs.values())).joints[:2]
        quads = self.professional.quads()
        past = (self.professional.positions[quads].mean(axis=1) - root) @ (onward - root) > 0.0
        return _part(self.professional.positions, quads[past])

    def plan(self, budget: int | None = None, sides: Mapping[str, int] | None = None, spans: Mapping[str, int] | None = None) -> str:
        """The limb plan as TOML text.

        budget : greatest number of quads; None leaves it out
        sides, spans : counts by limb; limbs that are not named leave the key out
        """
        parts = ['schema = 1\nunit = "m"\n']
        parts += [_limb_text(name, limb, sides or {}, spans or {}) for name, limb in self.limbs.items()]
        parts.append(self.joins)
        if budget is not None:
            parts.append(f"[budget]\nquads = {budget}\n")
        return "\n".join(parts)


@lru_cache(maxsize=len(CASE_NAMES))
def real_case(name: str) -> RealCase:
    """Cut one case out of the base mesh.

    name : one of CASE_NAMES
    Raises OpenDataMissing.
    """
    part, side = name.split("_")
    suffix = {"right": ".R", "left": ".L"}[side]
    base = load_base_mesh()
    professional = limb_part(base, {"arm": "upperarm01", "leg": "upperleg01"}[part] + suffix)
    target = catmull_clark(professional, ROUNDS)
    chains, joins = (_arm_chains, ARM_JOINS) if part == "arm" else (_leg_chains, LEG_JOINS)
    surface = ReferenceSurface.from_mesh(target)
    return RealCase(name, professional, target, surface, _fitted(chains(base, suffix), target, surface), joins)


@lru_cache(maxsize=2 * len(CASE_NAMES))
def built_case(name: str, quads: int) -> BuildResult:
    """The cage of a case under a budget of quads, built once for all tests."""
    case = real_case(name)
    return build_cage(read_plan(case.plan(quads)), case.surface)


def limb_part(base: BaseMesh, root_bone: str) -> PolyMesh:
    """The quads of which every vertex follows the bone, or one below it, more than any other bone."""
    bones = base.with_descendants(root_bone)
    follows = np.array([bone in bones for bone in base.strongest_bones()])
    quads = base.body.quads()
    return _part(base.body.positions, quads[follows[quads].all(axis=1)])


def write_case(name: str, folder: Path, *, budget_factor: float = 1.0) -> Path:
    """Write target.obj (triangles), professional.obj (quads) and plan.toml to folder/name.

    budget_factor : the plan's budget as a part of the professional mesh's quads past the first joint
    Returns the folder that was written.
    """
    case = real_case(name)
    place = folder / name
    place.mkdir(parents=True, exist_ok=True)
    _write_obj(place / "target.obj", case.target.positions, case.target.triangles())
    _write_obj(place / "professional.obj", case.professional.positions, case.professional.quads())
    (place / "plan.toml").write_text(case.plan(round(budget_factor * case.comparable().face_count)))
    return place


ARM_JOINS = """\
[[fork]]
trunk = "palm"
branches = ["little", "ring", "middle", "index"]

[[socket]]
trunk = "palm"
branch = "thumb"

[[splice]]
upper = "palm"
lower = "forearm"

[[splice]]
upper = "forearm"
lower = "upper_arm"
"""

LEG_JOINS = """\
[[fork]]
trunk = "foot"
branches = ["big_toe", "second_toe", "third_toe", "fourth_toe", "little_toe"]

[[splice]]
upper = "foot"
lower = "shin"

[[splice]]
upper = "shin"
lower = "thigh"
"""


def _arm_chains(base: BaseMesh, suffix: str) -> dict[str, Limb]:
    shoulder, elbow = base.bones["upperarm02" + suffix].head, base.bones["lowerarm01" + suffix].head
    wrist = base.bones["wrist" + suffix].head
    digits = {name: _digit(base, [f"finger{number}-{bone}{suffix}" for bone in (1, 2, 3)]) for name, number in FINGERS.items()}
    knuckles = np.mean([digit.joints[0] for digit in digits.values()], axis=0)
    thumb = _digit(base, [f"finger1-{bone}{suffix}" for bone in (1, 2, 3)])
    return {"upper_arm": Limb(np.stack([shoulder, elbow])), "forearm": Limb(np.stack([elbow, wrist])),
            "palm": Limb(np.stack([wrist, knuckles])), **digits, "thumb": thumb}


def _leg_chains(base: BaseMesh, suffix: str) -> dict[str, Limb]:
    hip, knee = base.bones["upperleg02" + suffix].head, base.bones["lowerleg01" + suffix].head
    ankle = base.bones["foot" + suffix].head
    bones = {name: (1, 2) if number == 1 else (1, 2, 3) for name, number in TOES.items()}
    toes = {name: _digit(base, [f"toe{TOES[name]}-{bone}{suffix}" for bone in bones[name]]) for name in TOES}
    roots = np.mean([toe.joints[0] for toe in toes.values()], axis=0)
    return {"thigh": Limb(np.stack([hip, knee])), "shin": Limb(np.stack([knee, ankle])),
            "foot": Limb(np.stack([ankle, roots])), **toes}


def _digit(base: BaseMesh, bones: Sequence[str]) -> Limb:
    joints = [base.bones[bone].head for bone in bones] + [base.bones[bones[-1]].tail]
    return Limb(np.stack(joints), "closed")


def _fitted(limbs: Mapping[str, Limb], target: PolyMesh, surface: ReferenceSurface) -> dict[str, Limb]:
    """The chains with the first one begun inside the cut and the rig's tip joints, some of which poke out, drawn in."""
    digits = [name for name, limb in limbs.items() if limb.tip == "closed"]
    tips = _tips_drawn_in([limbs[name].joints for name in digits], surface)
    drawn_in = {name: Limb(np.concatenate([limbs[name].joints[:-1], [tip]]), "closed") for name, tip in zip(digits, tips, strict=True)}
    first = next(iter(limbs))
    return {**limbs, first: Limb(_begun_inside(limbs[first].joints, target), limbs[first].tip), **drawn_in}


def _begun_inside(joints: FloatArray, target: PolyMesh) -> FloatArray:
    """Move the first joint along the first bone, past everything that the cut has left open."""
    rim = target.positions[build_adjacency(target).boundary_vertex]
    bone = joints[1] - joints[0]
    begun = ((rim - joints[0]) @ bone).max() / (bone @ bone) + START_MARGIN
    return np.concatenate([[joints[0] + begun * bone], joints[1:]])


def _tips_drawn_in(chains: Sequence[FloatArray], surface: ReferenceSurface) -> FloatArray:
    """Every chain's tip joint, moved straight in from the nearest skin until it lies deep enough; one that does already stays."""
    tips = np.stack([joints[-1] for joints in chains])
    depths = TIP_DEPTH * np.array([np.linalg.norm(joints[-1] - joints[-2]) for joints in chains])
    nearest = surface.closest(tips)
    deep = surface.inside(tips) & (nearest.distances >= depths)
    return np.where(deep[:, None], tips, nearest.positions - depths[:, None] * nearest.normals)


def _limb_text(name: str, limb: Limb, sides: Mapping[str, int], spans: Mapping[str, int]) -> str:
    points = ", ".join("[" + ", ".join(f"{number:.6f}" for number in joint) + "]" for joint in limb.joints)
    lines = ["[[limb]]", f'name = "{name}"', f"joints = [{points}]"]
    if name in sides:
        lines.append(f"sides = {sides[name]}")
    if name in spans:
        lines.append(f"spans = {spans[name]}")
    if limb.tip == "closed":
        lines.append('tip = "closed"')
    return "\n".join(lines) + "\n"


def _part(positions: FloatArray, quads: IntArray) -> PolyMesh:
    """Some of a mesh's quads, with the vertices that they use."""
    used, corners = np.unique(quads, return_inverse=True)
    return PolyMesh.from_quads(positions[used], corners.reshape(-1, 4))


def _write_obj(path: Path, positions: FloatArray, faces: IntArray) -> None:
    with path.open("w") as file:
        np.savetxt(file, positions, fmt="v %.9g %.9g %.9g")
        np.savetxt(file, faces + 1, fmt="f" + " %d" * faces.shape[1])


if __name__ == "__main__":
    for each in CASE_NAMES:
        print(write_case(each, Path(sys.argv[1])))
