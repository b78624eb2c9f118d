"""`patch`: fill holes with quads."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import numpy as np

from ...core.adjacency import build_adjacency
from ...core.errors import MeshError
from ...core.holes import find_holes
from ...core.patch_choice import PatchOptions
from ...core.patch_edit import fill_loops, missing_border
from ...core.polymesh import PolyMesh
from ...core.rings import boundary_loops
from ...core.settle_region import facing
from ...core.surface import Surface
from . import arguments


def add_commands(commands: Any) -> None:
    """Add this family's commands to the parser."""
    parser = commands.add_parser("patch", help="fill holes with quads")
    arguments.add_source(parser)
    arguments.add_out(parser)
    parser.add_argument("--loop", metavar="K", type=int, nargs="+", action="extend", dest="loops",
                        help="open rings to fill, numbered as `rings` prints them; without: every hole")
    choices = parser.add_argument_group("choices, for every ring that is filled")
    choices.add_argument("--corner", metavar="V", type=int, nargs="+", action="extend", dest="corners",
                         help="vertices, numbered from 0, where one quad fits; without: found where the border turns sharply")
    choices.add_argument("--round", action="store_true", help="take the border for a round one, without corners")
    choices.add_argument("--rotate", metavar="N", type=int, default=0, help="border vertices by which the corners move on")
    choices.add_argument("--pattern", metavar="N", type=int, default=0,
                         help="which of the equally good patterns, 0 the best; past the last they begin again")
    choices.add_argument("--nudge", metavar="N", type=int, default=0, help="quads by which the poles move on in one direction")
    choices.add_argument("--nudge-across", metavar="N", type=int, default=0, help="quads by which they move on in a second direction")
    choices.add_argument("--padding", metavar="N", type=int, default=0, help="rows of quads along every side before a pole")
    choices.add_argument("--side-padding", metavar="N", type=int, nargs="+", default=[],
                         help="rows more at single sides, from the first corner on")
    choices.add_argument("--follow", action="store_true", help="let edges run on from those that arrive from outside")
    arguments.add_target(choices, required=False)
    parser.set_defaults(run=run_patch)


def run_patch(options: argparse.Namespace) -> int:
    """Fill loops and write the mesh; returns the exit code."""
    from ..edited_blend import write_edited
    from ..files import parse_source, read_mesh

    arguments.check_mesh_output(options.out, parse_source(options.mesh).path)
    mesh = read_mesh(options.mesh)
    adjacency = build_adjacency(mesh)
    loops = boundary_loops(mesh, adjacency)
    chosen = options.loops or np.flatnonzero(find_holes(mesh, adjacency, loops)).tolist()
    if not chosen and not loops and adjacency.boundary_vertex.any():
        raise missing_border(mesh, adjacency.boundary_vertex)
    if not chosen:
        raise MeshError(f"None of the mesh's {len(loops)} open rings is a hole; name the ones to fill with --loop K.")
    if len(set(chosen)) < len(chosen):
        raise MeshError("A ring is named twice; name every ring to fill once.")
    rings = [arguments.open_ring(mesh, adjacency, number) for number in chosen]
    with _target_surface(options.target, mesh) as surface:
        filling = fill_loops(mesh, rings, marked=_marked(options, mesh), follow=options.follow, surface=surface,
                             options=PatchOptions(options.rotate, options.pattern, options.nudge, options.nudge_across, options.padding,
                                                  tuple(options.side_padding)))
    said = [f"ring {number}: {patch.loop_size} edges filled with {len(patch.quads)} quads, {patch.poles} poles, "
            f"pattern {options.pattern % patch.patterns} of {patch.patterns}"
            for number, patch in zip(chosen, filling.patches, strict=True)]
    bare = write_edited(options.out, options.mesh, mesh, filling.edit)
    print("\n".join([*said, f"wrote {options.out}{arguments.BARE if bare else ''}"]))
    return 0


def _marked(options: argparse.Namespace, mesh: PolyMesh) -> list[int] | None:
    """Vertices that are corners, or None where corners shall be found."""
    if options.round and options.corners:
        raise MeshError("A round border has no corners; leave out --round or --corner.")
    missing = [corner for corner in options.corners or [] if not 0 <= corner < mesh.vertex_count]
    if missing:
        raise MeshError(f"There is no vertex {missing[0]}; the mesh has {mesh.vertex_count}, numbered from 0.")
    return [] if options.round else options.corners


@contextmanager
def _target_surface(source: str | None, mesh: PolyMesh) -> Iterator[Surface | None]:
    """The target to settle on, turned as the mesh looks, or None without one."""
    from ..files import read_mesh
    from ..target_pieces import skin_surface

    if source is None:
        yield None
        return
    with skin_surface(read_mesh(source)) as (_, surface):
        yield facing(surface, mesh)
