"""`export`: a cage with the rig of its plan as a set of files, read back and checked."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ...core.errors import FileError, PlanError
from ...core.flex import bend_joints, skinned
from ...core.flex_report import animation_poses, flex_lines
from ...core.inspection_text import describe_unwrap
from ...core.plan import METRES, LimbPlan, read_plan
from ...core.polymesh import FACE_LIMB, PolyMesh
from ...core.rig_fit import check_rig_fit
from ...core.skeleton import Skeleton, skeleton_of
from ...core.skin_weights import SkinWeights, bind
from ...core.uv_quality import measure_unwrap
from . import arguments

if TYPE_CHECKING:
    import bpy


def add_commands(commands: Any) -> None:
    """Add this family's commands to the parser."""
    parser = commands.add_parser("export", help="cage with the plan's rig as .blend, .glb, .fbx and .obj, read back and checked")
    arguments.add_source(parser)
    parser.add_argument("--plan", metavar="PLAN", type=Path,
                        help="limb plan (TOML); left out: the one that a .blend file keeps with the cage")
    parser.add_argument("--out", metavar="DIR", type=Path, required=True, help="folder for the files")
    parser.add_argument("--name", metavar="NAME", help="name of the files, without ending; left out: the mesh file's")
    parser.add_argument("--no-unwrap", dest="unwrap", action="store_false",
                        help="leave a cage without texture map as it is; it is unwrapped along its plan's seams otherwise")
    parser.add_argument("--weights", choices=["limbs", "automatic"], default="limbs",
                        help="where skin weights come from: distance along the limbs, or the host's own automatic weights where they "
                        "reach every vertex (default: %(default)s)")
    arguments.add_profile(parser)
    parser.set_defaults(run=run_export)


def run_export(options: argparse.Namespace) -> int:
    """Rig, bind, bend, write, check; returns the exit code."""
    import bpy

    from ..borrowed import private_scene
    from ..export_set import write_set
    from ..files import PLAN_PROPERTY, parse_source, read_mesh_file, read_plan_text
    from ..mesh_bridge import create_mesh, write_uvs
    from ..rigging import animate_rig

    text = arguments.read_text(options.plan) if options.plan else read_plan_text(options.mesh)
    if text is None:
        raise PlanError(f"{options.mesh} keeps no limb plan; name one with --plan.")
    profile, plan, file = arguments.read_profile_named(options.profile), read_plan(text), read_mesh_file(options.mesh)
    skeleton, source = skeleton_of(plan), parse_source(options.mesh).path
    check_rig_fit(file.mesh, skeleton)
    name = options.name or source.stem
    _check_no_input(options.out, name, [source, options.plan])
    with private_scene() as scene:
        cage = bpy.data.objects.new(name, create_mesh(name, file.mesh))
        scene.collection.objects.link(cage)
        cage[PLAN_PROPERTY] = text
        if file.uvs is not None:
            write_uvs(cage.data, file.uvs)
        said = [map_made(cage, file.mesh, plan)] if options.unwrap and file.uvs is None else []
        rig, weights = _rigged(scene, cage, file.mesh, skeleton, automatic=options.weights == "automatic")
        if options.weights == "automatic" and weights is None:
            said.append("automatic weights left vertices out; weights along the limbs were taken")
        flex = bend_joints(skinned(file.mesh, skeleton, weights), profile.joints)
        scene.frame_end = max(scene.frame_end, animate_rig(scene, rig, skeleton, animation_poses(flex)))
        written = write_set(options.out, name, cage, rig, METRES[plan.unit])
    for path in written.files.values():
        print(path)
    print(f"{len(skeleton.bones)} bones, {file.mesh.vertex_count} vertices, {file.mesh.face_count} faces; every file was read back")
    print("\n".join([written.validated.words(), *filter(None, said), flex_lines(flex)[0]]))
    return 0


def _check_no_input(folder: Path, name: str, inputs: Sequence[Path | None]) -> None:
    """Check that the set does not take the place of what it is made from.

    Raises FileError where it would.
    """
    from ..export_set import KINDS

    taken = {path.resolve() for path in inputs if path is not None}
    for kind in KINDS:
        if (folder / f"{name}{kind}").resolve() in taken:
            raise FileError(f"{folder / f'{name}{kind}'} is an input; choose another --name or --out.")


def _rigged(scene: bpy.types.Scene, cage: bpy.types.Object, mesh: PolyMesh, skeleton: Skeleton, *,
            automatic: bool) -> tuple[bpy.types.Object, SkinWeights | None]:
    """The cage's rig, to which it is bound, and the host's own weights where they were wanted and reach every vertex."""
    from ..rigging import bind_cage, create_rig, weighed_by_host, write_weights

    rig, weights = create_rig(scene, skeleton, f"{cage.name} rig"), bind(mesh, skeleton)
    bind_cage(cage, rig, skeleton, weights)
    by_host = weighed_by_host(cage, rig, skeleton) if automatic else None
    if automatic:
        write_weights(cage, skeleton, by_host or weights)
    return rig, by_host


def map_made(cage: bpy.types.Object, mesh: PolyMesh, plan: LimbPlan) -> str:
    """Unwrap a cage that keeps its limbs, in the context's scene; what its map is like, or why it got none."""
    from ..mesh_bridge import read_uvs
    from ..unwrapping import unwrap_along

    if FACE_LIMB not in mesh.attributes:
        return "no texture map: the mesh file does not keep which limb a face belongs to; give the .blend file that build wrote"
    unwrap_along(cage, mesh, plan, skeleton_of(plan))
    uvs = read_uvs(cage.data)
    return "" if uvs is None else f"unwrapped: {describe_unwrap(measure_unwrap(mesh, uvs))}"
