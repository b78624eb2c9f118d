"""Assignment against scipy; pairing against networkx."""

import networkx as nx
import numpy as np
import pytest
from scipy.optimize import linear_sum_assignment

from ringwright.core.assignment import assign, pair_up


@pytest.mark.parametrize("seed", range(60))
def test_assignment_costs_what_scipy_finds(seed):
    random = np.random.default_rng(seed)
    count = int(random.integers(0, 15))
    cost = random.normal(size=(count, count))
    columns = assign(cost)
    assert sorted(columns.tolist()) == list(range(count))
    rows, expected = linear_sum_assignment(cost)
    assert cost[np.arange(count), columns].sum() == pytest.approx(cost[rows, expected].sum())


def pairing_cost(cost, partner, alone):
    pairs = [(i, int(j)) for i, j in enumerate(partner) if j > i]
    assert all(partner[j] == i for i, j in pairs)
    return sum(cost[i, j] for i, j in pairs) + alone * np.count_nonzero(partner < 0)


@pytest.mark.parametrize("seed", range(60))
def test_pairing_costs_what_networkx_finds(seed):
    random = np.random.default_rng(seed)
    count = int(random.integers(1, 13))
    cost = random.random((count, count)) * 3
    cost = cost + cost.T
    cost[random.random((count, count)) < 0.3] = np.inf
    cost = np.maximum(cost, cost.T)
    np.fill_diagonal(cost, np.inf)
    graph = nx.Graph()
    graph.add_nodes_from(range(count))
    for i in range(count):
        for j in range(i):
            if cost[i, j] < 4.0:
                graph.add_edge(i, j, weight=4.0 - cost[i, j])
    expected = 2.0 * count - sum(graph.edges[pair]["weight"] for pair in nx.max_weight_matching(graph))
    assert pairing_cost(cost, pair_up(cost, 2.0), 2.0) == pytest.approx(expected)


def test_nearest_first_would_be_worse():
    place = np.array([0.0, 1.0, 1.9, 3.0])
    cost = np.abs(place[:, None] - place[None])
    np.fill_diagonal(cost, np.inf)
    assert pair_up(cost, 5.0).tolist() == [1, 0, 3, 2]
