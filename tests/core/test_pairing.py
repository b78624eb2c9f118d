"""Pairing against networkx."""

import networkx as nx
import numpy as np
import pytest

from ringwright.core.pairing import pair_linked, pair_up


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


@pytest.mark.parametrize("seed", range(300))
def test_gain_of_linked_members_is_what_networkx_finds(seed):
    """Sparse and dense, with whole numbers so that ties and odd rings abound."""
    random = np.random.default_rng(seed)
    count = int(random.integers(2, 60))
    graph = nx.gnp_random_graph(count, float(random.choice([0.05, 0.1, 0.3, 0.9])), seed=seed)
    gains = random.integers(1, random.choice([3, 10, 1000]), graph.number_of_edges()).astype(float)
    links = np.array(list(graph.edges), dtype=np.int64).reshape(-1, 2)
    for (one, other), gain in zip(links.tolist(), gains.tolist(), strict=True):
        graph.edges[one, other]["weight"] = gain
    partner = pair_linked(count, links, gains)
    told = [(i, int(j)) for i, j in enumerate(partner) if j > i]
    assert all(partner[j] == i and graph.has_edge(i, j) for i, j in told)
    expected = sum(graph.edges[pair]["weight"] for pair in nx.max_weight_matching(graph))
    assert sum(graph.edges[pair]["weight"] for pair in told) == expected


def test_nearest_first_would_be_worse():
    place = np.array([0.0, 1.0, 1.9, 3.0])
    cost = np.abs(place[:, None] - place[None])
    np.fill_diagonal(cost, np.inf)
    assert pair_up(cost, 5.0).tolist() == [1, 0, 3, 2]


def test_no_members_and_no_links():
    assert pair_up(np.zeros((0, 0)), 2.0).tolist() == []
    assert pair_linked(3, [], []).tolist() == [-1, -1, -1]
