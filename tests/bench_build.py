"""Time and memory of a whole `build` against merely importing the target and building its search tree.

Every figure comes from a process of its own, after the host has started. Run it alone on a quiet machine; the ratio in processor
time stands beside that on the clock, since a busy machine changes it less.
Usage: PYTHONPATH=tests python tests/bench_build.py [TRIANGLES ...]
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from ringwright.core.polymesh import FloatArray, IntArray
from support.shapes import Shape, hand, hand_chains

TRIANGLES = (100_000, 1_000_000, 4_000_000)
GOAL = 3.0
RUNS = 3
CELLS = {100_000: 140, 1_000_000: 107, 4_000_000: 107}
"""Cells of the first, coarser hand; it is halved until it is dense enough."""


def halved(positions: FloatArray, triangles: IntArray) -> Shape:
    """Every triangle as four."""
    sides = np.sort(triangles[:, [[0, 1], [1, 2], [2, 0]]].reshape(-1, 2), axis=1).astype(np.int64)
    keys, place = np.unique(sides[:, 0] * len(positions) + sides[:, 1], return_inverse=True)
    middles = 0.5 * (positions[keys // len(positions)] + positions[keys % len(positions)])
    ab, bc, ca = (place.reshape(-1, 3) + len(positions)).T
    a, b, c = triangles.T
    quarters = np.stack([a, ab, ca, ab, b, bc, ca, bc, c, ab, bc, ca], axis=1).reshape(-1, 3)
    return Shape(np.concatenate([positions, middles]), quarters.astype(np.int32))


def dense_hand(triangles: int) -> Shape:
    """The invented hand with at least that many triangles."""
    shape = hand(CELLS.get(triangles, 160))
    while len(shape.triangles) < triangles:
        shape = halved(*shape)
    return shape


def plan_text() -> str:
    """The hand's plan: four fingers and a thumb closed, the forearm open."""
    lines = ["schema = 1"]
    for name, chain in hand_chains().items():
        tip = "open" if name in ("palm", "forearm") else "closed"
        lines += ["[[limb]]", f'name = "{name}"', f"joints = {chain.joints.tolist()}", f'tip = "{tip}"']
    lines += ["[[fork]]", 'trunk = "palm"', 'branches = ["little", "ring", "middle", "index"]']
    lines += ["[[socket]]", 'trunk = "palm"', 'branch = "thumb"', "[[splice]]", 'upper = "palm"', 'lower = "forearm"']
    return "\n".join(lines) + "\n"


def write_case(folder: Path, triangles: int) -> int:
    """Write target.ply and plan.toml; returns the number of triangles."""
    from ringwright.addon.files import write_mesh
    from ringwright.core.polymesh import PolyMesh

    shape = dense_hand(triangles)
    write_mesh(folder / "target.ply", PolyMesh.from_quads(*shape))
    (folder / "plan.toml").write_text(plan_text())
    return len(shape.triangles)


def run_import(folder: Path) -> None:
    """Import the target and have its search tree built, by one query."""
    from ringwright.addon.files import read_mesh
    from ringwright.addon.host_surface import HostSurface

    target = read_mesh(folder / "target.ply")
    with HostSurface(target) as surface:
        surface.closest(target.positions[:1])


def run_build(folder: Path) -> None:
    """The whole build command: import, build, inspect, write."""
    from ringwright.addon.command_line import main

    arguments = ["build", str(folder / "plan.toml"), "--target", str(folder / "target.ply"), "--out", str(folder / "cage.blend")]
    if main(arguments) > 1:
        raise SystemExit("the build was refused")


def measure(stage: str, folder: Path) -> tuple[float, float, float]:
    """Least seconds, processor seconds and peak megabytes of a stage, each time in a process of its own.

    The first run leaves the modules compiled, as an installation does.
    """
    compiled = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    compiled["PYTHONPYCACHEPREFIX"] = str(folder / "compiled")
    runs = []
    for _ in range(RUNS + 1):
        call = [sys.executable, __file__, f"--{stage}", str(folder)]
        result = subprocess.run(call, capture_output=True, text=True, check=True, env=compiled)
        runs.append([float(word) for word in result.stdout.splitlines()[-1].split()])
    seconds, processor, megabytes = np.min(runs[1:], axis=0)
    return float(seconds), float(processor), float(megabytes)


def run_stage(stage: str, folder: Path) -> None:
    """Run one stage in this process and print its seconds, processor seconds and peak megabytes."""
    __import__("bpy")
    start, busy = time.perf_counter(), time.process_time()
    {"--import": run_import, "--build": run_build}[stage](folder)
    print(time.perf_counter() - start, time.process_time() - busy, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)


def main(sizes: list[int]) -> None:
    """Measure and print every size."""
    print("triangles   import + tree        whole build          ratios (goal: time at most 3)")
    for size in sizes:
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            count = write_case(folder, size)
            base_time, base_busy, base_memory = measure("import", folder)
            build_time, build_busy, build_memory = measure("build", folder)
        verdict = "met" if build_time <= GOAL * base_time else "missed"
        print(f"{count:>9,}  {base_time:6.2f} s {base_memory:6.0f} MB   {build_time:6.2f} s {build_memory:6.0f} MB   "
              f"time {build_time / base_time:.2f} ({verdict}), processor {build_busy / base_busy:.2f}, "
              f"memory {build_memory / base_memory:.2f}", flush=True)


if __name__ == "__main__":
    if len(sys.argv) > 2 and sys.argv[1].startswith("--"):
        run_stage(sys.argv[1], Path(sys.argv[2]))
    else:
        main([int(text) for text in sys.argv[1:]] or list(TRIANGLES))
