"""`export`: a cage with the rig of its plan as a set of files, read back and checked."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from ...core.errors import FileError, PlanError
from ...core.inspection_text import describe_unwrap
from ...core.plan import METRES, LimbPlan, read_plan
from ...core.polymesh import PolyMesh
from ...core.rig_fit import check_rig_fit
from ...core.skeleton import skeleton_of
from ...core.skin_weights import bind
from ...core.uv_quality import measure_unwrap
from ...core.uv_seams import find_seams
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
    parser.set_defaults(run=run_export)


def run_export(options: argparse.Namespace) -> int:
    """Rig, bind, write, check; returns the exit code."""
    import bpy

    from ..borrowed import private_scene
    from ..export_set import KINDS, write_set
    from ..files import PLAN_PROPERTY, parse_source, read_mesh_file, read_plan_text
    from ..mesh_bridge import create_mesh
    from ..rigging import bind_cage, create_rig
    from ..unwrapping import write_uvs

    text = arguments.read_text(options.plan) if options.plan else read_plan_text(options.mesh)
    if text is None:
        raise PlanError(f"{options.mesh} keeps no limb plan; name one with --plan.")
    plan, file = read_plan(text), read_mesh_file(options.mesh)
    skeleton, mesh = skeleton_of(plan), file.mesh
    check_rig_fit(mesh, skeleton)
    weights = bind(mesh, skeleton)
    source = parse_source(options.mesh).path
    name = options.name or source.stem
    for kind in KINDS:
        if (options.out / f"{name}{kind}").resolve() in {path.resolve() for path in (source, options.plan) if path}:
            raise FileError(f"{options.out / f'{name}{kind}'} is an input; choose another --name or --out.")
    with private_scene() as scene:
        cage = bpy.data.objects.new(name, create_mesh(name, mesh))
        scene.collection.objects.link(cage)
        cage[PLAN_PROPERTY] = text
        if file.uvs is not None:
            write_uvs(cage.data, file.uvs)
        said = map_made(cage, mesh, plan) if options.unwrap and file.uvs is None else ""
        rig = create_rig(scene, skeleton, f"{name} rig")
        bind_cage(cage, rig, skeleton, weights)
        files = write_set(options.out, name, cage, rig, METRES[plan.unit])
    for path in files.values():
        print(path)
    print(f"{len(skeleton.bones)} bones, {mesh.vertex_count} vertices, {mesh.face_count} faces; every file was read back")
    if said:
        print(said)
    return 0


def map_made(cage: bpy.types.Object, mesh: PolyMesh, plan: LimbPlan) -> str:
    """Unwrap a cage that keeps its limbs, in the context's scene; what its map is like, or why it got none."""
    from ..mesh_bridge import read_uvs
    from ..unwrapping import mark_seams, unwrap

    if "face.face_limb" not in mesh.attributes:
        return "no texture map: the mesh file does not keep which limb a face belongs to; give the .blend file that build wrote"
    mark_seams(cage.data, mesh, find_seams(mesh, plan, skeleton_of(plan)))
    unwrap(cage)
    uvs = read_uvs(cage.data)
    return "" if uvs is None else f"unwrapped: {describe_unwrap(measure_unwrap(mesh, uvs))}"
