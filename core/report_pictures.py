"""The pictures of a report: the cage from four sides, its deviation as heat, and the worst places enlarged."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .adjacency import Adjacency, build_adjacency
from .defects import face_area_vectors
from .deviation import DeviationMap
from .findings import Finding
from .flex_report import picture_flex
from .inspection import Inspection
from .picture import Dense, Picture, contact_sheet, draw_cage, draw_deviation
from .polymesh import FloatArray, IntArray, PolyMesh
from .raster import View, close_view, four_views

SIDES = ("Broadest side", "A quarter turn on", "A half turn on", "Three quarter turns on")
PLACE_LIMIT = 6
"""Places that are shown enlarged."""

PLACE_SIZE = 300
"""Width and height of an enlarged place, pixels."""


@dataclass(frozen=True)
class ReportPictures:
    """All pictures of one report.

    views : the cage over its target from four sides
    heat : the same sides coloured by deviation; empty without a deviation map
    heat_highest : distance at the dark end of the heat scale, the mesh's units
    places : worst places enlarged, one for each place that a finding names first, at most ``PLACE_LIMIT``
    bends : worst bends and set poses; empty where the flex test was not made
    """

    views: tuple[Picture, ...]
    heat: tuple[Picture, ...] = ()
    heat_highest: float = 0.0
    places: tuple[Picture, ...] = ()
    bends: tuple[Picture, ...] = ()

    def sheet(self) -> npt.NDArray[np.uint8]:
        """The four sides in one picture, (h, w, 3) uint8."""
        return contact_sheet([picture.image for picture in self.views])


def picture_inspection(cage: PolyMesh, inspection: Inspection, *, target: Dense | None = None, heat: DeviationMap | None = None,
                       width: int = 640) -> ReportPictures:
    """Draw all pictures of an inspected cage.

    target : drawn as clay under the cage
    heat : the cage's deviation map; its scale ends at the 99th percentile
    width : pixels of a side's picture
    """
    adjacency = build_adjacency(cage)
    border = cage.positions[adjacency.boundary_vertex]
    views = four_views(cage.positions, width, root=border.mean(axis=0) if len(border) else None)
    sides = tuple(Picture(f"side_{number}", f"{caption}.", draw_cage(view, cage, adjacency, target=target, poles=inspection.poles))
                  for number, (caption, view) in enumerate(zip(SIDES, views, strict=True), start=1))
    places = _picture_places(cage, adjacency, inspection, views[0], target)
    bends = picture_flex(inspection.flex) if inspection.flex else ()
    if heat is None:
        return ReportPictures(sides, places=places, bends=bends)
    highest = float(np.percentile(heat.distances, 99.0)) if len(heat.distances) else 0.0
    warm = tuple(Picture(f"heat_{number}", f"{caption}, by deviation.", draw_deviation(view, cage, adjacency, heat, highest))
                 for number, (caption, view) in enumerate(zip(SIDES, views, strict=True), start=1))
    return ReportPictures(sides, warm, highest, places, bends)


def _picture_places(cage: PolyMesh, adjacency: Adjacency, inspection: Inspection, view: View, target: Dense | None) -> tuple[Picture, ...]:
    """Enlarge the place of each finding that has one."""
    by_place: dict[bytes, Finding] = {}
    for finding in inspection.findings:
        if finding.place is not None and np.isfinite(finding.place).all():
            by_place.setdefault(finding.place.tobytes(), finding)
    normals = face_area_vectors(cage)
    pictures: list[Picture] = []
    used = cage.positions[adjacency.edge_verts]
    edge = float(np.median(np.linalg.norm(used[:, 1] - used[:, 0], axis=1))) if len(used) else inspection.diagonal
    for finding in list(by_place.values())[:PLACE_LIMIT]:
        faces = _faces_of(cage, finding)
        turned = _facing(view, normals[faces[:1] if finding.domain == "face" else faces].sum(axis=0))
        square = View(turned.axes, turned.centre, turned.scale, PLACE_SIZE, PLACE_SIZE)
        own = cage.positions[np.concatenate([cage.face(int(face)) for face in faces[:1]])] if len(faces) else cage.positions[:0]
        reach = max(4.0 * edge, 1.5 * float(np.linalg.norm(np.ptp(own, axis=0))) if len(own) else 0.0, 1e-9)
        image = draw_cage(close_view(square, _known(finding), reach), cage, adjacency, target=target, poles=inspection.poles, focus=faces)
        pictures.append(Picture(f"place_{len(pictures) + 1}", finding.reason, image))
    return tuple(pictures)


def _known(finding: Finding) -> FloatArray:
    return np.zeros(3) if finding.place is None else finding.place


def _faces_of(cage: PolyMesh, finding: Finding) -> IntArray:
    """Faces to tint for a finding: its faces, or those round its first vertices."""
    if finding.domain == "face":
        return finding.elements
    vertices = finding.elements.ravel()[: 2 if finding.domain == "edge" else 1]
    return np.unique(np.repeat(np.arange(cage.face_count), cage.face_sizes)[np.isin(cage.corner_verts, vertices)]).astype(np.int32)


def _facing(view: View, normal: FloatArray) -> View:
    """The view turned so that a surface with this normal is seen from straight above."""
    length = float(np.linalg.norm(normal))
    if not length > 0.0:
        return view
    backward = normal / length
    right = view.axes[0] - (view.axes[0] @ backward) * backward
    if np.linalg.norm(right) < 0.1:
        right = view.axes[1] - (view.axes[1] @ backward) * backward
    right /= np.linalg.norm(right)
    return View(np.array([right, np.cross(backward, right), backward]), view.centre, view.scale, view.width, view.height)
