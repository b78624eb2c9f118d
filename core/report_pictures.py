"""The pictures of a report: the cage from four sides, its deviation as heat, and the worst places enlarged."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .adjacency import Adjacency, build_adjacency
from .deviation import DeviationMap
from .face_geometry import face_area_vectors, face_centres
from .findings import Finding
from .flex_report import picture_flex
from .inspection import Inspection
from .picture import Dense, Mark, Picture, contact_sheet, draw_cage, draw_deviation, seen_from
from .polymesh import FloatArray, IntArray, PolyMesh
from .quality import METRICS
from .raster import View, close_view, four_views
from .unwrap_picture import picture_unwrap

SIDES = ("Broadest side", "A quarter turn on", "A half turn on", "Three quarter turns on")
PLACE_LIMIT = 8
"""Places of findings that are shown enlarged."""

PLACE_SIZE = 300
"""Width and height of an enlarged place, pixels."""

PART_REACH = 0.12
"""Half the width of an enlarged place that names no face, such as a joint, mesh diagonals."""


@dataclass(frozen=True)
class ReportPictures:
    """All pictures of one report.

    views : the cage over its target from four sides
    heat : the same sides coloured by deviation; empty without a deviation map
    heat_highest : distance at the dark end of the heat scale, the mesh's units
    places : worst places enlarged: each that a finding names first, at most ``PLACE_LIMIT``, then the worst faces
    bends : worst bends and set poses; empty where the flex test was not made
    unwrap : the map; empty where the cage has none
    """

    views: tuple[Picture, ...]
    heat: tuple[Picture, ...] = ()
    heat_highest: float = 0.0
    places: tuple[Picture, ...] = ()
    bends: tuple[Picture, ...] = ()
    unwrap: tuple[Picture, ...] = ()

    def sheet(self) -> npt.NDArray[np.uint8]:
        """The four sides in one picture, (h, w, 3) uint8."""
        return contact_sheet([picture.image for picture in self.views])


def picture_inspection(cage: PolyMesh, inspection: Inspection, *, target: Dense | None = None, heat: DeviationMap | None = None,
                       uvs: FloatArray | None = None, width: int = 640) -> ReportPictures:
    """Draw all pictures of an inspected cage.

    target : drawn as clay under the cage
    heat : the cage's deviation map; its scale ends at the 99th percentile
    uvs : (C, 2) float64, the cage's map
    width : pixels of a side's picture
    """
    adjacency = build_adjacency(cage)
    border = cage.positions[adjacency.boundary_vertex]
    views = four_views(cage.positions, width, root=border.mean(axis=0) if len(border) else None)
    shown = _places_to_show(inspection)
    sides = tuple(Picture(f"side_{number}", f"{caption}.", draw_cage(view, cage, adjacency, target=target, poles=inspection.poles),
                          marks=_marks(view, cage, shown))
                  for number, (caption, view) in enumerate(zip(SIDES, views, strict=True), start=1))
    spots = [*(Spot(finding.reason, place, _faces_of(cage, finding), number) for number, place, finding in shown),
             *_worst_spots(cage, inspection)]
    places = _picture_spots(cage, adjacency, inspection, spots, views[0], target)
    bends = picture_flex(inspection.flex) if inspection.flex else ()
    unwrap = () if uvs is None or inspection.unwrap is None else (picture_unwrap(cage, uvs, inspection.unwrap.flipped),)
    if heat is None:
        return ReportPictures(sides, places=places, bends=bends, unwrap=unwrap)
    highest = float(np.percentile(heat.distances, 99.0)) if len(heat.distances) else 0.0
    warm = tuple(Picture(f"heat_{number}", f"{caption}, by deviation.", draw_deviation(view, cage, adjacency, heat, highest))
                 for number, (caption, view) in enumerate(zip(SIDES, views, strict=True), start=1))
    return ReportPictures(sides, warm, highest, places, bends, unwrap)


@dataclass(frozen=True)
class Spot:
    """A place to be shown enlarged.

    caption : what is to be seen
    place : (3,) float64, the picture's middle
    faces : (k,) int32, tinted; the first one faces the viewer
    number : of the finding; 0 for none
    """

    caption: str
    place: FloatArray
    faces: IntArray
    number: int = 0


def _places_to_show(inspection: Inspection) -> list[tuple[int, FloatArray, Finding]]:
    """Number, place and finding of each place that a finding is the first to name, at most ``PLACE_LIMIT``."""
    by_place: dict[bytes, tuple[int, FloatArray, Finding]] = {}
    for number, finding in enumerate(inspection.findings, start=1):
        if finding.place is not None and np.isfinite(finding.place).all():
            by_place.setdefault(finding.place.tobytes(), (number, finding.place, finding))
    return list(by_place.values())[:PLACE_LIMIT]


def _marks(view: View, cage: PolyMesh, shown: Sequence[tuple[int, FloatArray, Finding]]) -> tuple[Mark, ...]:
    """The findings' numbers where their places are seen."""
    if not shown:
        return ()
    places = np.array([place for _, place, _ in shown])
    seen = seen_from(view, cage, places)
    screen = view.project(places)
    return tuple(Mark(number, float(x), float(y))
                 for (number, _, _), (x, y), visible in zip(shown, screen[:, :2], seen, strict=True) if visible)


def _worst_spots(cage: PolyMesh, inspection: Inspection) -> list[Spot]:
    """The quads of the worst shape, and where the cage lies farthest from the target, whether that is a fault or not."""
    quads, corners = cage.faces_of_size(4)
    spots = []
    for name, worst, words in (("scaled_jacobian", np.argmin, "Smallest scaled Jacobian"),
                               ("aspect_ratio", np.argmax, "Largest aspect ratio")):
        values = METRICS[name].measure(cage.positions[corners])
        if len(values) and np.isfinite(values).all():
            face = int(worst(values))
            spots.append(Spot(f"{words}: {values[face]:.2f}.", cage.positions[corners[face]].mean(axis=0),
                              quads[face : face + 1].astype(np.int32)))
    if inspection.deviation is not None and np.isfinite(inspection.deviation.cage_to_target.place).all():
        side = inspection.deviation.cage_to_target
        nearest = np.argmin(np.linalg.norm(face_centres(cage) - side.place, axis=1))
        spots.append(Spot(f"Farthest from the target: {inspection.deviation.percent(side.maximum):.2g} % of its diagonal.", side.place,
                          np.array([nearest], dtype=np.int32)))
    return spots


def _picture_spots(cage: PolyMesh, adjacency: Adjacency, inspection: Inspection, spots: Sequence[Spot], view: View,
                   target: Dense | None) -> tuple[Picture, ...]:
    """Enlarge every spot, seen from straight above its surroundings."""
    normals = face_area_vectors(cage)
    ends = cage.positions[adjacency.edge_verts]
    edge = float(np.median(np.linalg.norm(ends[:, 1] - ends[:, 0], axis=1))) if len(ends) else inspection.diagonal
    pictures: list[Picture] = []
    for spot in spots:
        turned = _facing(view, normals[_surroundings(cage, spot.faces[:1])].sum(axis=0))
        own = cage.positions[cage.face(int(spot.faces[0]))] if len(spot.faces) else cage.positions[:0]
        span = 1.5 * float(np.linalg.norm(np.ptp(own, axis=0))) if len(own) else PART_REACH * inspection.diagonal
        reach = max(4.0 * edge, span, 1e-9)
        square = View(turned.axes, turned.centre, turned.scale, PLACE_SIZE, PLACE_SIZE)
        image = draw_cage(close_view(square, spot.place, reach), cage, adjacency, target=target, poles=inspection.poles, focus=spot.faces)
        pictures.append(Picture(f"place_{len(pictures) + 1}", spot.caption, image, spot.number))
    return tuple(pictures)


def _surroundings(cage: PolyMesh, faces: IntArray) -> IntArray:
    """Faces at the corners of some faces, these too: one that is turned over is outvoted by its neighbours."""
    corners = np.concatenate([cage.face(int(face)) for face in faces]) if len(faces) else np.empty(0, dtype=np.int32)
    return _faces_at(cage, corners)


def _faces_at(cage: PolyMesh, vertices: IntArray) -> IntArray:
    """Faces with one of some vertices as a corner, (k,) int32."""
    owners = np.repeat(np.arange(cage.face_count), cage.face_sizes)
    return np.unique(owners[np.isin(cage.corner_verts, vertices)]).astype(np.int32)


def _faces_of(cage: PolyMesh, finding: Finding) -> IntArray:
    """Faces to tint for a finding: its faces, or those round its first vertices."""
    if finding.domain == "face":
        return finding.elements
    vertices = finding.elements.ravel()[: 2 if finding.domain == "edge" else 1]
    return _faces_at(cage, vertices)


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
