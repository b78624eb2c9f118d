"""Pictures show what they should: lines in front, none behind, poles by shape, heat where it is far."""

from __future__ import annotations

import numpy as np
import pytest

from ringwright.core.adjacency import build_adjacency
from ringwright.core.deviation import DeviationMap
from ringwright.core.picture import (
    FIVE_POLE,
    HEAT,
    OPEN_END,
    THREE_POLE,
    Dense,
    contact_sheet,
    draw_cage,
    draw_deviation,
    draw_marker,
    draw_scale,
    heat_colours,
)
from ringwright.core.poles import count_poles
from ringwright.core.polymesh import PolyMesh
from ringwright.core.raster import View


def box(size: float = 1.0) -> PolyMesh:
    corners = size * np.array([[x, y, z] for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)], dtype=float)
    return PolyMesh.from_faces(corners, [[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]])


def tilted(width: int = 120, height: int = 100) -> View:
    backward = np.array([0.5, 0.3, 0.8]) / np.linalg.norm([0.5, 0.3, 0.8])
    right = np.cross([0, 1, 0], backward)
    right /= np.linalg.norm(right)
    return View(np.array([right, np.cross(backward, right), backward]), np.zeros(3), 30.0, width, height)


def near_colour(image: np.ndarray, colour: tuple[float, float, float], within: float = 40.0) -> np.ndarray:
    return np.linalg.norm(image.astype(float) - 255.0 * np.array(colour), axis=2) < within


def darkness_at(image: np.ndarray, view: View, points: np.ndarray) -> np.ndarray:
    column, row = np.floor(view.project(points)[:, :2]).astype(int).T
    return np.array([image[r - 1 : r + 2, c - 1 : c + 2].min() for r, c in zip(row, column, strict=True)])


def test_near_edges_are_drawn_and_far_ones_hidden() -> None:
    cage, view = box(), tilted()
    image = draw_cage(view, cage, build_adjacency(cage))
    edges = build_adjacency(cage).edge_verts
    middles = cage.positions[edges].mean(axis=1)
    at_far_corner = (edges == 0).any(axis=1)  # corner 0 looks away from the viewer
    darkness = darkness_at(image, view, middles)
    assert (darkness[~at_far_corner] < 110).all() and (darkness[at_far_corner] > 110).all()
    assert (image[0, 0] == 255).all()


def test_target_hides_a_cage_that_lies_deep_inside() -> None:
    small, big = box(0.5), box(1.0)
    view = tilted()
    dense = Dense(big.positions, big.triangles())
    hidden = draw_cage(view, small, build_adjacency(small), target=dense)
    shown = draw_cage(view, small, build_adjacency(small))
    middle = small.positions[[7]]
    assert darkness_at(shown, view, middle)[0] < 110 < darkness_at(hidden, view, middle)[0]


def test_poles_are_marked_on_the_visible_side_only() -> None:
    cage, view = box(), tilted()
    adjacency = build_adjacency(cage)
    census = count_poles(cage, adjacency)
    marked = near_colour(draw_cage(view, cage, adjacency, poles=census), THREE_POLE)
    assert not near_colour(draw_cage(view, cage, adjacency), THREE_POLE).any()
    column, row = np.floor(view.project(cage.positions)[:, :2]).astype(int).T
    assert marked[row[1:], column[1:]].all() and not marked[row[0], column[0]]


def test_markers_differ_in_shape() -> None:
    areas, widths_above = [], []
    for corners, colour in ((3, THREE_POLE), (5, FIVE_POLE)):
        canvas = np.full((80, 80, 3), 0.5, dtype=np.float32)
        draw_marker(canvas, np.array([40.0, 40.0]), 20.0, corners, colour)
        filled = (np.abs(canvas - np.array(colour, dtype=np.float32)) < 1e-6).all(axis=2)
        areas.append(filled.sum())
        widths_above.append(filled[30].sum() / filled.sum(axis=1).max())
    assert areas[0] == pytest.approx(areas[1], rel=0.1)  # the same weight on the page
    assert widths_above[0] < 0.5 < widths_above[1]


def test_open_end_stands_out() -> None:
    cage = PolyMesh.from_faces(box().positions, [box().face(k).tolist() for k in range(1, 6)])
    view = View(np.array([[0, 0, 1.0], [0, 1, 0], [-1, 0, 0]]), np.zeros(3), 30.0, 100, 100)
    image = draw_cage(view, cage, build_adjacency(cage))
    assert near_colour(image, OPEN_END, 60.0).sum() > 100


def test_heat_shows_far_places_dark() -> None:
    cage, view = box(), tilted()
    heat = DeviationMap(cage.positions, cage.triangles(), np.where(cage.positions[:, 1] > 0, 1.0, 0.0))
    image = draw_deviation(view, cage, build_adjacency(cage), heat, 1.0).astype(float)
    high, low = (np.floor(view.project(np.array([[0.5, y, 1.0]]))[0, :2]).astype(int) for y in (0.85, -0.85))
    assert image[high[1], high[0]].sum() < 0.5 * image[low[1], low[0]].sum()


def test_heat_scale_darkens_all_the_way() -> None:
    luminance = heat_colours(np.linspace(-0.5, 1.5, 200)) @ [0.2126, 0.7152, 0.0722]
    assert (np.diff(luminance) <= 1e-12).all() and luminance[0] - luminance[-1] > 0.8
    scale = draw_scale(50, 4)
    assert scale.shape == (4, 50, 3) and scale[0, 0].tolist() == (np.array(HEAT[0]) * 255 + 0.5).astype(int).tolist()


def test_contact_sheet_places_pictures() -> None:
    images = [np.full((10 + k, 20, 3), 10 * k, dtype=np.uint8) for k in range(3)]
    sheet = contact_sheet(images, columns=2, gap=4)
    assert sheet.shape == (11 + 4 + 12, 44, 3)
    assert sheet[0, 0, 0] == 0 and sheet[0, 24, 0] == 10 and sheet[15, 0, 0] == 20 and sheet[0, 22, 0] == 255


@pytest.mark.parametrize("positions", [np.zeros((0, 3)), np.full((4, 3), np.nan)])
def test_odd_cages_give_blank_pictures(positions: np.ndarray) -> None:
    cage = PolyMesh.from_faces(positions, [[0, 1, 2, 3]] if len(positions) else [])
    assert (draw_cage(tilted(), cage, build_adjacency(cage)) == 255).all()


def test_lines_that_would_only_blacken_a_picture_are_left_out() -> None:
    """A fine sheet from afar shows its clay and its border; from near its lines and poles."""
    count = 300
    x, y = np.meshgrid(np.arange(count + 1.0), np.arange(count + 1.0))
    row, column = np.divmod(np.arange(count * count), count)
    first = row * (count + 1) + column
    sheet = PolyMesh.from_quads(np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)]) - [count / 2, count / 2, 0],
                                np.column_stack([first, first + 1, first + count + 2, first + count + 1]))
    adjacency = build_adjacency(sheet)
    far, near = (draw_cage(View(np.eye(3), np.zeros(3), scale, 100, 100), sheet, adjacency) for scale in (0.3, 10.0))
    assert near_colour(far, OPEN_END).any() and np.ptp(far[30:70, 30:70, 0]) == 0
    assert (near[:, :, 0] < 120).sum() > 1000 and (near[:, :, 0] > 180).sum() > 4000


def test_markers_that_would_cover_a_picture_are_left_out() -> None:
    count = 60
    triangles = [[a, b, c] for row in range(count) for column in range(count)
                 for a, b, c in ([(row * (count + 1) + column), row * (count + 1) + column + 1, (row + 1) * (count + 1) + column],
                                 [row * (count + 1) + column + 1, (row + 1) * (count + 1) + column + 1, (row + 1) * (count + 1) + column])]
    x, y = np.meshgrid(np.arange(count + 1.0), np.arange(count + 1.0))
    mesh = PolyMesh.from_faces(np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)]) - [count / 2, count / 2, 0], triangles)
    adjacency = build_adjacency(mesh)
    poles = count_poles(mesh, adjacency)
    for scale, marked in ((1.5, False), (10.0, True)):
        view = View(np.eye(3), np.zeros(3), scale, 100, 100)
        plain = draw_cage(view, mesh, adjacency)
        assert (draw_cage(view, mesh, adjacency, poles=poles) != plain).any() == marked
