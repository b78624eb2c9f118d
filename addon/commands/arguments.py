"""Arguments that several commands share, and the checks that come before any work."""

from __future__ import annotations

import argparse
from collections.abc import Iterable
from pathlib import Path

from ...core.adjacency import Adjacency
from ...core.errors import FileError, MeshError
from ...core.polymesh import IntArray, PolyMesh
from ...core.profiles import Profile, read_profile
from ...core.rings import boundary_loops
from ..written_beside import scratch_folder, system_reason

SOURCE = "FILE[:OBJECT]"
PROFILES = Path(__file__).resolve().parents[2] / "profiles"
BARE = (": the bare mesh, since several objects, a modifier or a shape key make what is seen; name one object, and apply what changes it, "
        "to keep maps, materials, groups and shape keys")
"""What is said where the objects of a .blend file had to leave behind what they carry."""


def add_source(parser: argparse.ArgumentParser) -> None:
    """The mesh that a command works on."""
    parser.add_argument("mesh", metavar=SOURCE, help="mesh file (.blend .obj .ply .stl .glb .gltf .fbx), or one object in it")


def add_target(parser: argparse.ArgumentParser, *, required: bool) -> None:
    """The dense surface."""
    parser.add_argument("--target", metavar=SOURCE, required=required, help="the dense surface that the mesh must fit")


def add_out(parser: argparse.ArgumentParser) -> None:
    """The mesh that a command writes."""
    parser.add_argument("--out", metavar="FILE", type=Path, required=True, help="mesh file to write; its ending chooses the kind")


def add_json(parser: argparse.ArgumentParser) -> None:
    """The machine's copy of what a command says."""
    parser.add_argument("--json", metavar="FILE", type=Path, help="write the figures as JSON as well")


def add_report(parser: argparse.ArgumentParser) -> None:
    """The folder of the HTML report."""
    parser.add_argument("--report", metavar="DIR", type=Path, help="folder for the report: a page, its figures as JSON and a picture")


def add_profile(parser: argparse.ArgumentParser) -> None:
    """What figures are judged by."""
    parser.add_argument("--profile", metavar="NAME",
                        help=f"what figures are judged by: {', '.join(profile_names())}, or a profile file (TOML)")


def add_fit(parser: argparse.ArgumentParser) -> None:
    """Which surface lies on the target."""
    parser.add_argument("--fit", choices=["cage", "limit"], default="cage",
                        help="what lies on the target: the cage's vertices, or its surface once it is subdivided (default: %(default)s)")


def profile_names() -> list[str]:
    """Names of the profiles that come along."""
    return sorted(path.stem for path in PROFILES.glob("*.toml"))


def read_profile_named(name: str | None) -> Profile:
    """The profile of a name or a file; the plain one without a name.

    Raises FileError where there is none, ProfileError where it is wrong.
    """
    if name is None:
        return Profile()
    if name in profile_names():
        return read_profile(read_text(PROFILES / f"{name}.toml"))
    if Path(name).suffix.lower() != ".toml":
        raise FileError(f"There is no profile {name!r}; there are {', '.join(profile_names())}, or name a .toml file.")
    return read_profile(read_text(Path(name)))


def check_outputs(outputs: Iterable[Path | None], inputs: Iterable[Path | None]) -> None:
    """Make sure, before any work, that report and JSON can be written and are none of the inputs.

    Raises FileError otherwise.
    """
    taken = {path.resolve() for path in inputs if path is not None}
    for output in (path for path in outputs if path is not None):
        if output.resolve() in taken:
            raise FileError(f"{output} is an input; name another output.")
        with scratch_folder(output):
            continue


def check_mesh_output(output: Path, source: Path) -> None:
    """Make sure, before any work, that a mesh can be written there.

    A .blend file may hold more than the mesh that is taken out of it, and an output holds the new mesh alone.
    Raises FileError otherwise.
    """
    from ..files import check_output

    check_output(output)
    if output.suffix.lower() == ".blend" and output.resolve() == source.resolve():
        raise FileError(f"{output} is the input and may hold more than this mesh; name another output.")


def read_text(path: Path) -> str:
    """A text file's content.

    Raises FileError where it is missing, empty or not text.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileError(f"{path} is not a text file in UTF-8; save it as one.") from error
    except OSError as error:
        raise FileError(f"{path} cannot be read: {system_reason(error)}; check the path.") from error
    if not text.strip():
        raise FileError(f"{path} is empty; write the limb plan into it.")
    return text


def open_ring(mesh: PolyMesh, adjacency: Adjacency, number: int) -> IntArray:
    """Vertices of an open ring by the number that `rings` prints, (n,) int32.

    Raises MeshError where there is no such ring.
    """
    loops = boundary_loops(mesh, adjacency)
    if not 0 <= number < len(loops):
        raise MeshError(f"There is no ring {number}; the mesh has {len(loops)} open rings, numbered from 0.")
    return loops[number]
