"""Random quad-dominant meshes for the ring tests: holes, triangles, n-gons, several pieces, flipped faces."""

import numpy as np

from ringwright.core.polymesh import PolyMesh


def grid_faces(rows, columns, *, wrap_rows=False, wrap_columns=False):
    """Quads of a sheet, a tube or a torus over a lattice of vertices."""
    row_vertices = rows if wrap_rows else rows + 1
    column_vertices = columns if wrap_columns else columns + 1
    corner = np.arange(row_vertices * column_vertices).reshape(row_vertices, column_vertices)
    i, j = np.meshgrid(np.arange(rows), np.arange(columns), indexing="ij")
    k, m = (i + 1) % row_vertices, (j + 1) % column_vertices
    return np.stack([corner[i, j], corner[i, m], corner[k, m], corner[k, j]], -1).reshape(-1, 4).tolist()


def random_mesh(seed):
    """One mesh of several random pieces, its faces shuffled and rotated, its vertices renumbered."""
    random = np.random.default_rng(seed)
    faces, count = [], 0
    for _ in range(random.integers(1, 4)):
        rows, columns = random.integers(3, 9, 2)
        piece = grid_faces(rows, columns, wrap_rows=bool(random.integers(2)), wrap_columns=bool(random.integers(2)))
        piece = [face for face in piece if random.random() > random.choice([0.0, 0.03, 0.2])]
        faces += [[vertex + count for vertex in face] for face in piece]
        count += (rows + 1) * (columns + 1)
    mixed = []
    for face in faces:
        draw = random.random()
        if draw < 0.03:
            mixed += [[face[0], face[1], face[2]], [face[0], face[2], face[3]]]
        elif draw < 0.05:
            mixed.append([*face, count])
            count += 1
        else:
            mixed.append(np.roll(face, random.integers(4)).tolist())
    order = random.permutation(len(mixed))
    rename = random.permutation(count)
    mixed = [[int(rename[vertex]) for vertex in mixed[index]] for index in order]
    return PolyMesh.from_faces(random.random((count, 3)), mixed), mixed
