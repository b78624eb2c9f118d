"""`symmetry` and `mirror`: make a cage's halves mirror images, or give it one half twice."""

from __future__ import annotations

import argparse
from typing import Any

from ...core.errors import MeshError
from ...core.mirror_cut import image_limbs, mirror_half_across
from ...core.mirror_halves import SIDES, asymmetry, evened, mirror_match
from ...core.mirror_plane import MirrorPlane, check_mirror_plane, find_mirror_plane, towards_an_axis, world_plane
from ...core.plan import read_plan
from . import arguments

PLANES = ("x", "y", "z", "target")


def add_commands(commands: Any) -> None:
    """Add this family's commands to the parser."""
    symmetry = commands.add_parser("symmetry", help="make the halves of a cage mirror images; partners are found by topology")
    _add_shared(symmetry, SIDES, "which side tells where vertices lie (default: %(default)s, the mean)")
    symmetry.set_defaults(run=run_symmetry)
    mirror = commands.add_parser("mirror", help="keep one half of a cage and mirror it to the other side, quads alone")
    _add_shared(mirror, SIDES[1:], "which half is kept (default: %(default)s); maps, groups and shape keys stay behind")
    mirror.set_defaults(run=run_mirror)


def _add_shared(parser: argparse.ArgumentParser, sides: tuple[str, ...], help_on_sides: str) -> None:
    arguments.add_source(parser)
    arguments.add_out(parser)
    parser.add_argument("--plane", choices=PLANES, default="x",
                        help="plane of the world square to an axis, or the one that mirrors the target best (default: %(default)s)")
    parser.add_argument("--keep", choices=sides, default=sides[0], help=help_on_sides)
    arguments.add_target(parser, required=False)


def run_symmetry(options: argparse.Namespace) -> int:
    """Match the halves, move the vertices and write the mesh; returns the exit code."""
    from ..edited_blend import write_moved
    from ..files import parse_source, read_mesh

    arguments.check_mesh_output(options.out, parse_source(options.mesh).path)
    mesh = read_mesh(options.mesh)
    plane, said = _chosen_plane(options)
    partner = mirror_match(mesh, plane)
    worst = float(asymmetry(mesh, plane, partner).max())
    bare = write_moved(options.out, options.mesh, mesh, evened(mesh, plane, partner, options.keep).positions)
    print("\n".join([*said, f"{mesh.vertex_count} vertices matched; the farthest was {worst:.3g} off its partner's image",
                     f"wrote {options.out}{arguments.BARE if bare else ''}"]))
    return 0


def run_mirror(options: argparse.Namespace) -> int:
    """Cut along the plane, mirror one half and write the mesh; returns the exit code."""
    from ..files import parse_source, read_mesh, read_plan_text, write_mesh

    arguments.check_mesh_output(options.out, parse_source(options.mesh).path)
    mesh, text = read_mesh(options.mesh), read_plan_text(options.mesh)
    plane, said = _chosen_plane(options)
    images = image_limbs([limb.name for limb in read_plan(text).limbs] if text else [])
    found = mirror_half_across(mesh, plane, positive=options.keep == "positive", limb_images=images)
    write_mesh(options.out, found.mesh, plan_text=text)
    print("\n".join([*said, f"{mesh.face_count} faces became {found.mesh.face_count}, both halves alike", f"wrote {options.out}"]))
    return 0


def _chosen_plane(options: argparse.Namespace) -> tuple[MirrorPlane, list[str]]:
    """The plane that the options name, and what is to be said of it.

    Raises MeshError where it is to be the target's own and there is no target, or one that is like its image across no plane.
    """
    from ..files import read_mesh
    from ..host_surface import HostSurface

    if options.plane != "target":
        return world_plane(options.plane), []
    if options.target is None:
        raise MeshError("--plane target finds the plane in a target; name one with --target.")
    target = read_mesh(options.target)
    with HostSurface(target) as surface:
        fit = find_mirror_plane(surface, target.positions)
    check_mirror_plane(fit)
    plane = towards_an_axis(fit.plane)
    point, normal = (", ".join(f"{value:.6g}" for value in each) for each in (plane.point, plane.normal))
    return plane, [f"plane through {point}, square to {normal}; {fit.alike:.0%} of the target's image lie on the target"]
