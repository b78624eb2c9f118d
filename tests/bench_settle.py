"""Settling and measuring at sculpt scale, as ratios within one run, on targets of 0.1, 1 and 4 million triangles.

One settle step against one evaluation of the host's own Shrinkwrap modifier on as many points; a whole settle
against building the host's search tree; two-way deviation against libigl with the same points; memory of adapter, settle and
deviation beyond that of the host with the same target, its search tree and one Shrinkwrap of as many points, against the
target's arrays. Sides take turns and the least time of each counts. Every size runs in processes of
its own; run it alone on a quiet machine: queries and modifier wait for both cores. Two ratios are told in processor time
as well, which a busy machine changes less. With --plot FILE.svg the growth is drawn.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from ringwright.core.polymesh import FloatArray

MILLIONS = (0.1, 1.0, 4.0)
SAMPLES = 40_000
RUNS = 15
BUILDS = 3
STEPS = (2, 10)
"""Steps of the short and the long settle whose difference gives the time of one."""
GOALS = {"settle step / Shrinkwrap": 1.5, "whole settle / search tree": 2.0, "two-way deviation / libigl": 1.0,
         "two-way deviation with search trees / libigl with its": 1.0, "memory beyond the host's / target's arrays": 1.3}
PROCESSOR = ", processor s"
"""Ends the names of processor times, as ", s" those of times on the clock."""


def write_case(folder: Path, millions: float) -> None:
    """Write the target's and the cage's arrays, so that the processes that measure hold nothing else."""
    import numpy as np

    from support.capsule_cage import capsule_cage
    from support.shapes import bumpy, capsule

    side = round(np.sqrt(millions * 1e6 / 3.0))
    target = bumpy(capsule(length=4.0, around=side, along=side), 0.02, 0.7)
    cage = capsule_cage(40, 46)
    arrays = {"positions": target.positions, "triangles": target.triangles, "cage": cage.positions, "quads": cage.quads()}
    for name, array in arrays.items():
        np.save(folder / f"{name}.npy", array)


def read_case(folder: Path) -> tuple[object, object]:
    """The target and the cage."""
    import numpy as np

    from ringwright.core.polymesh import PolyMesh

    positions, triangles, cage, quads = (np.load(folder / f"{name}.npy") for name in ("positions", "triangles", "cage", "quads"))
    return PolyMesh.from_quads(positions, triangles), PolyMesh.from_quads(cage, quads)


def measure_time(folder: Path) -> dict[str, float]:
    """Seconds by name."""
    import bpy  # noqa: F401  (the host's module brings the others along, so it comes first)
    import numpy as np

    from ringwright.addon.host_surface import HostSurface
    from ringwright.core.deviation import measure_deviation
    from ringwright.core.settle import settle

    target, cage = read_case(folder)
    free = np.zeros(cage.vertex_count, dtype=np.bool_)
    (making, _), first = np.min([first_times(target, cage.positions) for _ in range(BUILDS)], axis=0)
    with HostSurface(target) as surface:
        surface.closest(cage.positions)
        settled = settle(cage, surface, free)
        fitted = cage.with_positions(settled.positions)
        with HostSurface(fitted) as own:
            own.closest(cage.positions)
            libigl_trees, libigl = libigl_deviation(fitted, target)
            least = side_by_side({
                "query": lambda: surface.closest(cage.positions + 1e-4),
                "short": lambda: settle(cage, surface, free, most_steps=STEPS[0]),
                "long": lambda: settle(cage, surface, free, most_steps=STEPS[1]),
                "Shrinkwrap, s": shrinkwrap(cage, target),
                "whole settle, s": lambda: settle(cage, surface, free),
                "two-way deviation, s": lambda: measure_deviation(fitted, target, own, surface, seed=1, samples=SAMPLES),
                "libigl, s": libigl})
    told = {"search tree": first - least["query"], "settle step": (least["long"] - least["short"]) / (STEPS[1] - STEPS[0]),
            **{name.removesuffix(", s"): value for name, value in least.items() if name.endswith(", s")}}
    return {"triangles": float(target.face_count), "adapter, s": float(making), "libigl's trees, s": libigl_trees,
            "steps": float(settled.steps), **{f"{name}, s": float(value[0]) for name, value in told.items()},
            **{name + PROCESSOR: float(value[1]) for name, value in told.items()}}


def first_times(target: object, points: object) -> tuple[tuple[float, float], tuple[float, float]]:
    """Times to hand a target to the host, and of the first query, which builds the search tree."""
    from ringwright.addon.host_surface import HostSurface

    begin, busy = time.perf_counter(), time.process_time()
    with HostSurface(target) as surface:
        return (time.perf_counter() - begin, time.process_time() - busy), timed(lambda: surface.closest(points))


def measure_memory(folder: Path, with_ours: bool) -> dict[str, float]:
    """Peak megabytes of a process, and of the target's arrays."""
    import bpy  # noqa: F401
    import numpy as np

    from ringwright.addon.host_surface import HostSurface
    from ringwright.core.deviation import measure_deviation
    from ringwright.core.polymesh import PolyMesh
    from ringwright.core.settle import settle

    target, cage = read_case(folder)
    if with_ours:
        with HostSurface(target) as surface:
            fitted = cage.with_positions(settle(cage, surface, np.zeros(cage.vertex_count, dtype=np.bool_)).positions)
            with HostSurface(fitted) as own:
                measure_deviation(fitted, target, own, surface, seed=1, samples=SAMPLES)
    else:
        points = np.resize(target.positions, (SAMPLES, 3))
        shrinkwrap(PolyMesh(points, np.zeros(0, dtype=np.int32), np.zeros(1, dtype=np.int32)), target)()
    arrays = target.positions.nbytes + target.corner_verts.nbytes + target.face_offsets.nbytes
    return {"peak": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3, "arrays": arrays / 1e6}


def shrinkwrap(cage: object, target: object) -> Callable[[], None]:
    """One evaluation of the host's modifier on the cage's vertices, search tree built."""
    import bpy
    import numpy as np

    from ringwright.addon.mesh_bridge import create_mesh, write_positions

    scene = bpy.data.scenes.new("bench")
    dense = bpy.data.objects.new("dense", create_mesh("dense", target))
    light = bpy.data.objects.new("light", create_mesh("light", cage))
    for item in (dense, light):
        scene.collection.objects.link(item)
    light.modifiers.new("wrap", "SHRINKWRAP").target = dense
    layer = scene.view_layers[0]
    read = np.empty(3 * len(light.data.vertices), dtype=np.float32)
    shift = iter(range(1, 100_000))

    def evaluate() -> None:
        write_positions(light.data, cage.positions + 1e-6 * next(shift))
        light.data.update()
        layer.update()
        light.evaluated_get(layer.depsgraph).data.attributes["position"].data.foreach_get("vector", read)

    evaluate()
    return evaluate


def libigl_deviation(cage: object, target: object) -> tuple[float, Callable[[], None]]:
    """Seconds to build libigl's two trees, and the two ways by it: the same samples and as many vertices."""
    import igl
    import numpy as np

    from ringwright.core.deviation import sample_triangles

    sides = [(here, there, np.ascontiguousarray(there.triangles(), dtype=np.int64)) for here, there in ((cage, target), (target, cage))]

    def build(there: object, faces: object) -> object:
        tree = igl.AABB()
        tree.init(there.positions, faces)
        return tree

    trees = [build(there, faces) for _, there, faces in sides]
    building = min(timed(lambda: [build(there, faces) for _, there, faces in sides])[0] for _ in range(BUILDS))

    def both_ways() -> None:
        for (here, there, faces), tree, seed in zip(sides, trees, (1, 2), strict=True):
            samples = sample_triangles(here.positions, here.triangles(), SAMPLES, seed)
            used = here.positions if here is cage else here.positions[here.corner_verts[:: max(1, 4 * len(here.corner_verts) // SAMPLES)]]
            for points in (samples, used):
                tree.squared_distance(there.positions, faces, np.ascontiguousarray(points))

    return building, both_ways


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Seconds of one run, on the clock and of the processor."""
    begin, busy = time.perf_counter(), time.process_time()
    work()
    return time.perf_counter() - begin, time.process_time() - busy


def side_by_side(works: Mapping[str, Callable[[], object]]) -> dict[str, FloatArray]:
    """Least seconds of each, on the clock and of the processor, over runs in which they take turns, each twice in a row so that the
    first warms it up."""
    import numpy as np

    least = {name: np.full(2, np.inf) for name in works}
    for _ in range(RUNS):
        for name, work in works.items():
            least[name] = np.min([least[name], timed(work), timed(work)], axis=0)
    return least


def ratios(figures: Mapping[str, float]) -> dict[str, float]:
    """What is compared, by the names of the goals."""
    whole = figures["two-way deviation, s"] + figures["adapter, s"] + figures["search tree, s"]
    values = (figures["settle step, s"] / figures["Shrinkwrap, s"], figures["whole settle, s"] / figures["search tree, s"],
              figures["two-way deviation, s"] / figures["libigl, s"], whole / (figures["libigl, s"] + figures["libigl's trees, s"]),
              figures["memory, MB"] / figures["target's arrays, MB"])
    return dict(zip(GOALS, values, strict=True))


def processor_ratios(figures: Mapping[str, float]) -> dict[str, float]:
    """The first two of them in processor time."""
    step, modifier, whole, tree = (figures[name + PROCESSOR] for name in ("settle step", "Shrinkwrap", "whole settle", "search tree"))
    return dict(zip(list(GOALS)[:2], (step / modifier, whole / tree), strict=True))


def of_own_process(*arguments: str) -> dict[str, float]:
    """What a process of this script says."""
    said = subprocess.run([sys.executable, __file__, *arguments], check=True, capture_output=True, text=True).stdout
    return dict(json.loads(said.strip().splitlines()[-1])) if said.strip() else {}


def measure(millions: float) -> dict[str, float]:
    """All figures of one target size: seconds and megabytes by name."""
    with tempfile.TemporaryDirectory() as folder:
        of_own_process("--case", folder, "--one", str(millions))
        figures = of_own_process("--time", folder)
        ours, host = of_own_process("--memory", folder, "--ours"), of_own_process("--memory", folder)
    return {**figures, "memory, MB": ours["peak"] - host["peak"], "target's arrays, MB": ours["arrays"]}


def draw(rows: Sequence[Mapping[str, float]], path: Path) -> None:
    """Seconds over triangles, both by powers of ten, as SVG; every line has its own dashes and its name at its end."""
    names = ("search tree, s", "whole settle, s", "two-way deviation, s", "libigl, s", "settle step, s", "Shrinkwrap, s")
    dashes = ("none", "8 3", "2 3", "8 3 2 3", "14 4", "1 2")
    width, height, left, right, top, bottom = 760, 460, 70, 190, 30, 50
    from math import log10
    low_x, high_x = log10(rows[0]["triangles"]), log10(rows[-1]["triangles"])
    values = [log10(row[name]) for row in rows for name in names]
    low_y, high_y = min(values) - 0.1, max(values) + 0.1

    def place(triangles: float, seconds: float) -> tuple[float, float]:
        x = left + (width - left - right) * (log10(triangles) - low_x) / (high_x - low_x)
        return x, height - bottom - (height - top - bottom) * (log10(seconds) - low_y) / (high_y - low_y)

    parts = [f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" font-family="sans-serif" font-size="13">',
             '<title>Growth with the target\'s size</title><rect width="100%" height="100%" fill="#fff"/>']
    for power in range(round(low_y) - 1, round(high_y) + 2):
        if low_y <= power <= high_y:
            y = place(rows[0]["triangles"], 10.0**power)[1]
            parts.append(f'<path d="M{left} {y:.1f}H{width - right}" stroke="#ddd"/><text x="{left - 8}" y="{y + 4:.1f}" text-anchor="end">'
                         f"{10.0**power:g} s</text>")
    for row in rows:
        x = place(row["triangles"], 1.0)[0]
        parts.append(f'<path d="M{x:.1f} {top}V{height - bottom}" stroke="#eee"/><text x="{x:.1f}" y="{height - bottom + 18}" '
                     f'text-anchor="middle">{row["triangles"] / 1e6:.1f} M</text>')
    parts.append(f'<text x="{(left + width - right) / 2}" y="{height - 10}" text-anchor="middle">triangles of the target</text>')
    ends = sorted((place(rows[-1]["triangles"], rows[-1][name])[1], name) for name in names)
    labels: dict[str, float] = {}
    for y, name in ends:
        labels[name] = max(y, max(labels.values(), default=-1e9) + 16)
    for name, dash in zip(names, dashes, strict=True):
        points = " ".join("{:.1f},{:.1f}".format(*place(row["triangles"], row[name])) for row in rows)
        x, y = place(rows[-1]["triangles"], rows[-1][name])
        parts.append(f'<polyline points="{points}" fill="none" stroke="#1c1d20" stroke-width="1.6" stroke-dasharray="{dash}"/>'
                     f'<path d="M{x:.1f} {y:.1f}L{x + 14:.1f} {labels[name]:.1f}" stroke="#888"/>'
                     f'<text x="{x + 18:.1f}" y="{labels[name] + 4:.1f}">{name.removesuffix(", s")}</text>')
    path.write_text("\n".join([*parts, "</svg>"]) + "\n", encoding="utf-8")


def main() -> None:
    """Measure and print every size, or one part of one in a process of its own."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plot", type=Path, help="draw the growth as SVG")
    parser.add_argument("--most", type=float, default=MILLIONS[-1], help="largest target, millions of triangles")
    for inner in ("--case", "--time", "--memory"):
        parser.add_argument(inner, type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--one", type=float, help=argparse.SUPPRESS)
    parser.add_argument("--ours", action="store_true", help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.case:
        write_case(options.case, options.one)
    elif options.time:
        print(json.dumps(measure_time(options.time)))
    elif options.memory:
        print(json.dumps(measure_memory(options.memory, options.ours)))
    else:
        run([size for size in MILLIONS if size <= options.most], options.plot)


def run(sizes: Sequence[float], plot: Path | None) -> None:
    """Measure and print every size, and draw the growth where a file is given."""
    rows = []
    for size in sizes:
        rows.append(measure(size))
        shown = {name: value for name, value in rows[-1].items() if name != "triangles" and not name.endswith(PROCESSOR)}
        print(f"{rows[-1]['triangles'] / 1e6:.2f} million triangles: " + ", ".join(f"{name} {value:.3g}" for name, value in shown.items()))
        print("   " + ", ".join(f"{name} {value:.2f}" for name, value in ratios(rows[-1]).items()))
        print("   in processor time: " + ", ".join(f"{name} {value:.2f}" for name, value in processor_ratios(rows[-1]).items()), flush=True)
    for name, goal in GOALS.items():
        print(f"{name}: " + ", ".join(f"{ratios(row)[name]:.2f}" for row in rows) + f" (goal: at most {goal:g})")
    if plot and len(rows) > 1:
        draw(rows, plot)


if __name__ == "__main__":
    main()
