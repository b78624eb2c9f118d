"""The demo's first step: sculpt and plan into a folder. Scene and picture follow once the cage is built."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from .mesh_file import write_ply
from .plan import plan_text
from .sculpt import Forelimb, make_forelimb

TARGET_FILE = "forelimb.ply"
PLAN_FILE = "forelimb.toml"


@dataclass(frozen=True)
class DemoInput:
    """What the build of the demo starts from.

    forelimb : the sculpt and its joints
    target : the written .ply file
    plan : the written limb plan
    """

    forelimb: Forelimb
    target: Path
    plan: Path


def write_input(folder: Path, *, seed: int = 1) -> DemoInput:
    """Sculpt the forelimb and write target and plan into a folder, which is made where it is missing."""
    forelimb = make_forelimb(seed)
    folder.mkdir(parents=True, exist_ok=True)
    target, plan = folder / TARGET_FILE, folder / PLAN_FILE
    write_ply(target, forelimb.positions, forelimb.triangles)
    plan.write_text(plan_text(forelimb.joints), encoding="utf-8")
    return DemoInput(forelimb, target, plan)


def main(arguments: Sequence[str] | None = None) -> int:
    """Run from the command line; returns the exit code."""
    parser = argparse.ArgumentParser(description="Make the demo's target and limb plan.")
    parser.add_argument("--out", type=Path, required=True, help="folder for the files")
    parser.add_argument("--seed", type=int, default=1, help="same seed, same skin (default 1)")
    options = parser.parse_args(arguments)
    made = write_input(options.out, seed=options.seed)
    print(f"Target: {made.target} ({len(made.forelimb.triangles):,} triangles)")
    print(f"Plan:   {made.plan}")
    return 0
