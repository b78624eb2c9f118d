"""`export`: a cage with the rig of its plan as a set of files, read back and checked."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from ...core.errors import PlanError
from ...core.plan import read_plan
from ...core.skeleton import skeleton_of
from ...core.skin_weights import bind
from . import arguments


def add_commands(commands: Any) -> None:
    """Add this family's commands to the parser."""
    parser = commands.add_parser("export", help="cage with the plan's rig as .blend, .glb, .fbx and .obj, read back and checked")
    arguments.add_source(parser)
    parser.add_argument("--plan", metavar="PLAN", type=Path,
                        help="limb plan (TOML); left out: the one that a .blend file keeps with the cage")
    parser.add_argument("--out", metavar="DIR", type=Path, required=True, help="folder for the files")
    parser.add_argument("--name", metavar="NAME", help="name of the files, without ending; left out: the mesh file's")
    parser.set_defaults(run=run_export)


def run_export(options: argparse.Namespace) -> int:
    """Rig, bind, write, check; returns the exit code."""
    import bpy

    from ..borrowed import private_scene
    from ..export_set import write_set
    from ..files import PLAN_PROPERTY, parse_source, read_mesh, read_plan_text
    from ..mesh_bridge import create_mesh
    from ..rigging import bind_cage, create_rig

    text = arguments.read_text(options.plan) if options.plan else read_plan_text(options.mesh)
    if text is None:
        raise PlanError(f"{options.mesh} keeps no limb plan; name one with --plan.")
    skeleton, mesh = skeleton_of(read_plan(text)), read_mesh(options.mesh)
    weights = bind(mesh, skeleton)
    name = options.name or parse_source(options.mesh).path.stem
    with private_scene() as scene:
        cage = bpy.data.objects.new(name, create_mesh(name, mesh))
        scene.collection.objects.link(cage)
        cage[PLAN_PROPERTY] = text
        rig = create_rig(scene, skeleton, f"{name} rig")
        bind_cage(cage, rig, skeleton, weights)
        files = write_set(options.out, name, cage, rig)
    for path in files.values():
        print(path)
    print(f"{len(skeleton.bones)} bones, {mesh.vertex_count} vertices, {mesh.face_count} faces; every file was read back")
    return 0
