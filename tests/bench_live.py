"""How soon a change of the plan shows while a cage is built live: the draft, and the settled cage.

Usage: ``python tests/bench_live.py``. Times of the build's own thread, least of several; the processor's time beside the wall
clock's tells how busy the machine was.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from ringwright.addon.background import Background, Pause, PausingSurface
from ringwright.addon.files import read_mesh
from ringwright.addon.skin_tree import SkinTree
from ringwright.core.build import build_cage
from ringwright.core.plan import LimbPlan, read_plan
from ringwright.core.plan_edits import change_limb, change_webs
from ringwright.core.polymesh import PolyMesh
from support.hand_plan import hand_plan
from support.shapes import hand

ROOT = Path(__file__).resolve().parents[1]
REPEATS = 5


@dataclass(frozen=True)
class Times:
    """Seconds to the draft and to the settled cage: wall clock and processor."""

    draft: float
    draft_work: float
    whole: float
    whole_work: float


def timed(plan: LimbPlan, tree: SkinTree, known: dict) -> Times:
    """One build in the background, as the editor runs it."""
    drafts: list[tuple[float, float]] = []

    def work(pause: Pause) -> tuple[int, float, float]:
        def seen(*_: object) -> None:
            drafts.append((time.perf_counter() - begun, time.thread_time() - own))

        begun, own = time.perf_counter(), time.thread_time()
        result = build_cage(plan, PausingSurface(tree, pause), draft=seen, known=known)
        return result.mesh.face_count, time.perf_counter() - begun, time.thread_time() - own

    _, whole, whole_work = Background(work).result()
    (draft, draft_work), = drafts
    return Times(draft, draft_work, whole, whole_work)


def least(times: list[Times]) -> Times:
    return Times(*(min(getattr(each, name) for each in times) for name in Times.__dataclass_fields__))


def bench(name: str, plan: LimbPlan, mesh: PolyMesh, changes: dict[str, Callable[[int], LimbPlan]]) -> None:
    begun = time.perf_counter()
    tree = SkinTree(mesh)
    print(f"{name}, {mesh.face_count:,} triangles: search tree {time.perf_counter() - begun:.2f} s, once a target")
    known: dict = {}
    tell("first build", timed(plan, tree, known))
    for words, change in changes.items():
        times = []
        for turn in range(REPEATS):
            times.append(timed(change(turn + 1), tree, known))
            timed(plan, tree, known)
        tell(words, least(times))


def tell(words: str, times: Times) -> None:
    print(f"  {words:<22} draft {1000 * times.draft:6.0f} ms ({1000 * times.draft_work:4.0f} of work), "
          f"settled {1000 * times.whole:6.0f} ms ({1000 * times.whole_work:5.0f} of work)")


def changes_of(plan: LimbPlan) -> dict[str, Callable[[int], LimbPlan]]:
    """Changes by name; a joint is never moved to the same place twice, so that its limb is measured every time."""
    index = plan.limb("index")
    return {
        "sides of a finger": lambda _: change_limb(plan, "index", sides=10 if index.sides != 10 else 12),
        "spans of a bone": lambda _: change_limb(plan, "index", spans=(4,) * (len(index.joints) - 1)),
        "webs": lambda _: change_webs(plan, 0, 3),
        "joint loops": lambda _: change_limb(plan, "middle", joint_loops=5),
        "a joint moved": lambda turn: change_limb(plan, "index", joints=index.joints + 1e-4 * turn * (index.joints[-1] - index.joints[0])),
    }


def main() -> None:
    shape = hand()
    bench("invented hand", hand_plan(), PolyMesh.from_quads(*shape), changes_of(hand_plan()))
    demo = ROOT / "build" / "demo"
    if (demo / "forelimb.toml").exists():
        plan = read_plan((demo / "forelimb.toml").read_text(encoding="utf-8"))
        bench("demo forelimb", plan, read_mesh(demo / "forelimb.ply"), changes_of(plan))
    else:
        print("demo forelimb: not built; make demo builds it")


if __name__ == "__main__":
    main()
