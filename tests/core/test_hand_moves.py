"""Moves by hand outlive a new build, limb by limb, wherever a limb keeps its faces."""

from __future__ import annotations

import numpy as np

from ringwright.core.hand_moves import HandMoves, keep_moves
from ringwright.core.polymesh import PolyMesh
from support.tubes import join, tube


def cage(*tubes: PolyMesh) -> PolyMesh:
    """Tubes side by side, a limb each."""
    numbers = np.repeat(np.arange(len(tubes)), [each.vertex_count for each in tubes]).astype(np.int32)
    return join(*tubes).with_attributes(vertex__limb=numbers)


def pair(first: int = 8, second: int = 8) -> PolyMesh:
    return cage(tube(first, 5), tube(second, 5, base=(5, 0, 0)))


def moved(built: PolyMesh, vertices: list[int], limbs: tuple[str, ...] = ("left", "right")) -> HandMoves:
    positions = built.positions.copy()
    positions[vertices] += [0.2, 0.0, 0.0]
    return HandMoves(built.with_positions(positions), built.positions, limbs)


def test_moves_are_kept_on_the_same_faces() -> None:
    moves = moved(pair(), [3, 50])
    new = pair().with_positions(pair().positions + [0, 1, 0])
    result = keep_moves(moves, new, ("left", "right"))
    assert (result.kept, result.lost, result.lost_limbs) == (2, 0, ())
    assert np.allclose(result.positions[[3, 50]], new.positions[[3, 50]] + [0.2, 0, 0])
    rest = np.setdiff1d(np.arange(80), [3, 50])
    assert np.array_equal(result.positions[rest], new.positions[rest])


def test_a_limb_that_changes_loses_its_own_moves_only() -> None:
    moves = moved(pair(), [3, 4, 50])
    new = pair(first=10)
    result = keep_moves(moves, new, ("left", "right"))
    assert (result.kept, result.lost, result.lost_limbs) == (1, 2, ("left",))
    assert np.allclose(result.positions[60] - new.positions[60], [0.2, 0, 0])  # two more vertices in each of five rings
    assert np.array_equal(np.delete(result.positions, 60, axis=0), np.delete(new.positions, 60, axis=0))


def test_limbs_are_found_by_name() -> None:
    moves = moved(pair(10, 8), [3, 60])
    new = cage(tube(8, 5, base=(5, 0, 0)), tube(6, 5, base=(9, 0, 0)), tube(10, 5))
    result = keep_moves(moves, new, ("right", "new", "left"))
    assert (result.kept, result.lost) == (2, 0)
    assert np.flatnonzero((result.positions != new.positions).any(axis=1)).tolist() == [10, 40 + 30 + 3]
    gone = keep_moves(moves, cage(tube(10, 5)), ("left",))
    assert (gone.kept, gone.lost, gone.lost_limbs) == (1, 1, ("right",))


def test_a_face_cut_by_hand_leaves_the_limb_to_be_laid_anew() -> None:
    old = pair()
    faces = [old.face(index).tolist() for index in range(1, old.face_count)]
    cut = PolyMesh.from_faces(old.positions, faces).with_attributes(vertex__limb=old.attributes["vertex.limb"])
    positions = cut.positions.copy()
    positions[[3, 50]] += 0.1
    result = keep_moves(HandMoves(cut.with_positions(positions), old.positions, ("left", "right")), pair(), ("left", "right"))
    assert (result.kept, result.lost, result.lost_limbs) == (1, 1, ("left",))


def test_a_numbering_that_has_turned_round_the_limb_is_followed() -> None:
    moves = moved(cage(tube(8, 5)), [9, 20], ("left",))
    turned = cage(tube(8, 5, turn=2 * np.pi / 8))
    result = keep_moves(moves, turned, ("left",))
    assert (result.kept, result.lost) == (2, 0)
    changed = np.flatnonzero((result.positions != turned.positions).any(axis=1))
    assert np.allclose(turned.positions[changed], moves.built[[9, 20]])
    half = keep_moves(moves, cage(tube(8, 5, turn=np.pi / 8)), ("left",))
    assert (half.kept, half.lost) == (0, 2)  # no vertex stands where the moved ones stood


def test_a_limb_that_has_turned_is_followed_to_where_it_lies_now() -> None:
    """Vertex 1 stands where a turn of one side puts vertex 0; the whole limb lies elsewhere."""
    moves, base = moved(cage(tube(8, 5)), [1, 20], ("left",)), np.array([4.0, 1.0, 3.0])
    turned = cage(tube(8, 5, base=tuple(base), turn=2 * np.pi / 8))
    result = keep_moves(moves, turned, ("left",))
    assert (result.kept, result.lost) == (2, 0)
    changed = np.flatnonzero((result.positions != turned.positions).any(axis=1))
    assert np.allclose(turned.positions[changed], moves.built[[1, 20]] + base) and changed[0] == 0
    assert np.allclose(result.positions[changed] - turned.positions[changed], [0.2, 0, 0])


def test_a_limb_that_lies_elsewhere_keeps_its_moves() -> None:
    moves = moved(cage(tube(8, 5)), [9, 20], ("left",))
    result = keep_moves(moves, cage(tube(8, 5, base=(40, 1, 3))), ("left",))
    assert (result.kept, result.lost) == (2, 0)


def test_single_precision_is_no_move() -> None:
    built = pair()
    old = built.with_positions(built.positions.astype(np.float32).astype(np.float64))
    result = keep_moves(HandMoves(old, built.positions, ("left", "right")), built, ("left", "right"))
    assert (result.kept, result.lost) == (0, 0)
