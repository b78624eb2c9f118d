"""Settling and measuring at sculpt scale, as ratios within one run, on targets of 0.1, 1 and 4 million triangles.

One settle step against one evaluation of the host's own Shrinkwrap modifier on as many points; a whole settle
against building the host's search tree; two-way deviation against libigl with the same samples; memory beyond the
host's own (its copy of the target and its search tree) against the target's arrays. Every size runs in a process of
its own; run it alone on a quiet machine. With --plot FILE.svg the growth is drawn.
"""

from __future__ import annotations

import argparse
import json
import resource
import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

MILLIONS = (0.1, 1.0, 4.0)
SAMPLES = 40_000
RUNS = 5


def measure(millions: float) -> dict[str, float]:
    """All figures of one target size: seconds, ratios and megabytes by name."""
    import bpy  # noqa: F401  (the host's module brings the others along, so it comes first)
    import numpy as np

    from ringwright.addon.host_surface import HostSurface
    from ringwright.core.deviation import measure_deviation
    from ringwright.core.polymesh import PolyMesh
    from ringwright.core.settle import settle
    from support.capsule_cage import capsule_cage
    from support.shapes import bumpy, capsule

    side = round(np.sqrt(millions * 1e6 / 3.0))
    shape = bumpy(capsule(length=4.0, around=side, along=side), 0.02, 0.7)
    target = PolyMesh.from_quads(*shape)
    cage = capsule_cage(40, 46)
    free = np.zeros(cage.vertex_count, dtype=np.bool_)
    arrays = (target.positions.nbytes + target.corner_verts.nbytes + target.face_offsets.nbytes) / 1e6
    with HostSurface(target) as surface:
        first = timed(lambda: surface.closest(cage.positions))
        host = peak_memory()
        query = best(lambda: surface.closest(cage.positions + 1e-4))
        tree = first - query
        whole, settled = least(lambda: settle(cage, surface, free))
        short = best(lambda: settle(cage, surface, free, most_steps=2))
        long = best(lambda: settle(cage, surface, free, most_steps=8))
        fitted = cage.with_positions(settled.positions)
        with HostSurface(fitted) as own:
            own.closest(cage.positions)
            two_way = best(lambda: measure_deviation(fitted, target, own, surface, seed=1, samples=SAMPLES), 3)
        memory = peak_memory() - host
        shrinkwrap = shrinkwrap_time(cage, target)
    return {"triangles": float(target.face_count), "search tree, s": tree, "settle step, s": (long - short) / 6,
            "Shrinkwrap, s": shrinkwrap, "whole settle, s": whole, "steps": float(settled.steps), "two-way deviation, s": two_way,
            "libigl, s": libigl_time(fitted, target), "memory, MB": memory, "target's arrays, MB": arrays}


def shrinkwrap_time(cage: object, target: object) -> float:
    """Seconds of one evaluation of the host's modifier on the cage's vertices, search tree built."""
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
    shift = iter(range(1, 1000))

    def evaluate() -> None:
        write_positions(light.data, cage.positions + 1e-5 * next(shift))
        light.data.update()
        layer.update()
        light.evaluated_get(layer.depsgraph).data.attributes["position"].data.foreach_get("vector", read)

    evaluate()
    return best(evaluate)


def libigl_time(cage: object, target: object) -> float:
    """Seconds of the same two ways by libigl, its trees built like the host's beforehand."""
    import igl
    import numpy as np

    from ringwright.core.deviation import sample_triangles

    pairs = []
    for here, there in ((cage, target), (target, cage)):
        tree, faces = igl.AABB(), np.ascontiguousarray(there.triangles(), dtype=np.int64)
        tree.init(there.positions, faces)
        pairs.append((here, there, tree, faces))

    def both_ways() -> None:
        for here, there, tree, faces in pairs:
            samples = sample_triangles(here.positions, here.triangles(), SAMPLES, 1).positions
            used = here.positions[:: max(1, len(here.positions) // SAMPLES)]
            for points in (samples, used):
                tree.squared_distance(there.positions, faces, np.ascontiguousarray(points))

    return best(both_ways, 3)


def timed(work: Callable[[], object]) -> float:
    begin = time.perf_counter()
    work()
    return time.perf_counter() - begin


def best(work: Callable[[], object], runs: int = RUNS) -> float:
    return min(timed(work) for _ in range(runs))


def least(work: Callable[[], object]) -> tuple[float, object]:
    """Least time of some runs, and what the last gave back."""
    kept: list[object] = []
    return best(lambda: kept.append(work()), 3), kept[-1]


def peak_memory() -> float:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3


def ratios(figures: Mapping[str, float]) -> dict[str, float]:
    return {
        "settle step / Shrinkwrap": figures["settle step, s"] / figures["Shrinkwrap, s"],
        "whole settle / search tree": figures["whole settle, s"] / figures["search tree, s"],
        "two-way deviation / libigl": figures["two-way deviation, s"] / figures["libigl, s"],
        "memory beyond the host's / target's arrays": figures["memory, MB"] / figures["target's arrays, MB"],
    }


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
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--plot", type=Path, help="draw the growth as SVG")
    parser.add_argument("--most", type=float, default=MILLIONS[-1], help="largest target, millions of triangles")
    parser.add_argument("--one", type=float, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.one:
        print(json.dumps(measure(options.one)))
        return
    rows = []
    for millions in (size for size in MILLIONS if size <= options.most):
        said = subprocess.run([sys.executable, __file__, "--one", str(millions)], check=True, capture_output=True, text=True).stdout
        rows.append(json.loads(said.strip().splitlines()[-1]))
        print(f"{rows[-1]['triangles'] / 1e6:.2f} million triangles: "
              + ", ".join(f"{name} {value:.3g}" for name, value in rows[-1].items() if name != "triangles"))
        print("   " + ", ".join(f"{name} {value:.2f}" for name, value in ratios(rows[-1]).items()), flush=True)
    for name in ratios(rows[0]):
        print(f"{name}: " + ", ".join(f"{ratios(row)[name]:.2f}" for row in rows)
              + f" (median {statistics.median(ratios(row)[name] for row in rows):.2f})")
    if options.plot:
        draw(rows, options.plot)


if __name__ == "__main__":
    main()
