"""`rings`: the ring count of every open end and every closed edge loop, and which open rings face each other."""

from __future__ import annotations

import argparse
import json
from typing import Any

from ...core.counted import counted
from ...core.ring_report import RingReport, count_rings
from ...core.rings import Rings
from ..written_beside import write_text
from . import arguments


def add_commands(commands: Any) -> None:
    """Add this family's commands to the parser."""
    parser = commands.add_parser("rings", help="count every ring; pair the open ones and say where counts differ")
    arguments.add_source(parser)
    arguments.add_json(parser)
    parser.set_defaults(run=run_rings)


def run_rings(options: argparse.Namespace) -> int:
    """Print all ring counts; returns the exit code."""
    from ..files import parse_source, read_mesh

    arguments.check_outputs([options.json], [parse_source(options.mesh).path])
    report = count_rings(read_mesh(options.mesh))
    if options.json:
        write_text(options.json, json.dumps(ring_data(report), indent=2) + "\n")
    print("\n".join(ring_lines(report)))
    return 0


def ring_lines(report: RingReport) -> list[str]:
    """A ring report as lines of text; open rings are numbered as other commands take them."""
    counts = report.boundaries.edge_counts.tolist()
    lines = [", ".join((counted(len(counts), "open ring"), counted(report.loops.count, "closed edge loop"),
                        counted(report.strips.count, "face strip")))]
    lines += [f"open ring {index}: {count} edges" for index, count in enumerate(counts)]
    lines += [f"rings {pair.fuller} and {pair.sparser}: {pair.sentence()}" for pair in report.pairs.pairs]
    lines += [f"open ring {index} faces no other: an end" for index in report.pairs.ends.tolist()]
    if len(report.broken_edges):
        lines.append(f"{counted(len(report.broken_edges), 'boundary edge')} of no closed ring")
    return lines


def ring_data(report: RingReport) -> dict[str, Any]:
    """A ring report as plain data for JSON."""
    return {
        "open_rings": _rings(report.boundaries),
        "closed_loops": _rings(report.loops),
        "face_strips": report.strips.count,
        "pairs": [
            {"fuller": pair.fuller, "sparser": pair.sparser, "counts": list(pair.counts), "gap": pair.gap, "step_downs": pair.step_downs,
             "sentence": pair.sentence()}
            for pair in report.pairs.pairs
        ],
        "ends": report.pairs.ends.tolist(),
        "edges_of_no_ring": report.broken_edges.tolist(),
    }


def _rings(rings: Rings) -> list[dict[str, Any]]:
    return [
        {"number": index, "edges": int(rings.edge_counts[index]), "length": float(rings.lengths[index]),
         "centre": rings.centres[index].tolist(), "normal": rings.normals[index].tolist(), "bounds_tube": bool(rings.bounds_tube[index]),
         "vertices": rings.ring(index).tolist()}
        for index in range(rings.count)
    ]
