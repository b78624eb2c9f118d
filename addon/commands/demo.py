"""`demo`: the demo end to end, out of nothing but code."""

from __future__ import annotations

import argparse
import importlib.util
from pathlib import Path
from types import ModuleType
from typing import Any

from ...core.build import BuildResult, build_cage
from ...core.errors import FileError
from ...core.plan import read_plan
from ...core.polymesh import PolyMesh
from ..progress import TerminalProgress
from ..written_beside import system_reason, written_beside
from . import arguments
from .build import asked_of
from .inspecting import Inspected, inspect_fit, tell, with_heat

GENERATOR = Path(__file__).resolve().parents[2] / "demo.blend-generator" / "generate.py"
"""The generator lies beside the packages; its folder's name cannot be imported."""


def add_commands(commands: Any) -> None:
    """Add this family's commands to the parser."""
    parser = commands.add_parser("demo", help="sculpt an invented forelimb, build its cage, show both in a .blend, a report and a picture")
    parser.add_argument("--out", metavar="DIR", type=Path, default=Path("ringwright-demo"), help="folder for it (default: %(default)s)")
    parser.add_argument("--fine", action="store_true", help="draw the picture twice as wide, which takes minutes")
    parser.set_defaults(run=run_demo)


def run_demo(options: argparse.Namespace) -> int:
    """Make, build, inspect and show the demo; returns the exit code."""
    from ..quiet import quiet_host

    _make_folder(options.out)
    arguments.check_outputs([options.out / "report"], [])
    blend, picture = options.out / "forelimb.blend", options.out / "forelimb.png"
    with TerminalProgress() as progress:
        progress("Sculpting", 0.0)
        made = _generator("steps").write_input(options.out)
        text = made.plan.read_text(encoding="utf-8")
        built, inspected = _build(made.target, text, progress)
        progress("Writing the .blend", 1.0)
        with quiet_host(), written_beside(blend) as part:
            _save(part, made, built, inspected.target, text)
        progress("Drawing the picture", 1.0)
        with quiet_host(), written_beside(picture) as part:
            _generator("picture").render_picture(blend, part, quick=not options.fine)
    shown = argparse.Namespace(report=options.out / "report", json=None)
    words = {"Target": str(made.target), "Limb plan": str(made.plan), "Cage": f"{blend}:Cage"}
    code = tell(inspected, shown, title="Demo: an invented forelimb", unit="m", sources=words)
    for word, path in (("Blend file", blend), ("Report", shown.report / "report.html"), ("Picture", picture)):
        print(f"{word}: {path.resolve()}")
    return code


def _build(target_file: Path, text: str, progress: TerminalProgress) -> tuple[BuildResult, Inspected]:
    from ..files import read_mesh
    from ..host_surface import HostSurface

    target = read_mesh(target_file)
    with HostSurface(target) as surface:
        built = build_cage(read_plan(text), surface, progress)
        return built, with_heat(inspect_fit(built.mesh, target, surface, asked_of(built)), surface)


def _save(part: Path, made: Any, built: BuildResult, target: PolyMesh | None, text: str) -> None:
    """Target, joints and cage in a file of their own, the plan stored on the cage."""
    from ..cage_object import with_built_places
    from ..files import PLAN_PROPERTY
    from ..mesh_bridge import write_attributes

    scene = _generator("scene")
    arrays = [scene.MeshArrays(mesh.positions, mesh.corner_verts, mesh.face_offsets) for mesh in (target, built.mesh) if mesh is not None]
    objects = scene.build_scene(arrays[0], made.forelimb.joints, arrays[-1])
    write_attributes(objects.cage.data, with_built_places(built.mesh, built.mesh.positions))
    objects.cage[PLAN_PROPERTY] = text
    scene.save_scene(part)


def _generator(module: str) -> ModuleType:
    """One module of the demo's generator."""
    spec = importlib.util.spec_from_file_location("ringwright_demo_generator", GENERATOR)
    if spec is None or spec.loader is None or not GENERATOR.exists():
        raise FileError(f"{GENERATOR} is missing; install Ringwright once more.")
    generate = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(generate)
    loaded: ModuleType = generate.load(module)
    return loaded


def _make_folder(folder: Path) -> None:
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FileError(f"{folder} cannot be made: {system_reason(error)}; choose another place.") from error
