"""Chains against a plain walk: long, short, open, closed, in any mixture."""

import numpy as np
import pytest

from ringwright.core.chains import build_chains, told_anew


def walked(partner):
    """All chains by walking one element after the other, as (entries, closed), in the promised order and direction."""
    seen, chains = set(), []

    def follow(entry):
        run = []
        while entry >= 0 and entry // 2 not in seen:
            run.append(entry)
            seen.add(entry // 2)
            entry = partner[entry ^ 1]
        return run

    for entry, other in enumerate(partner):
        if other < 0 and entry // 2 not in seen:
            chains.append((follow(entry), False))
    for entry in range(0, len(partner), 2):
        if entry // 2 not in seen:
            chains.append((follow(entry), True))
    return sorted(chains)


def random_partner(elements, joints, random):
    ends = random.permutation(2 * elements)
    partner = np.full(2 * elements, -1, dtype=np.int32)
    for one, other in zip(ends[0 : 2 * joints : 2], ends[1 : 2 * joints : 2], strict=True):
        partner[one], partner[other] = other, one
    return partner


def told(partner):
    chains = build_chains(partner)
    entries = np.split(chains.entries, chains.offsets[1:-1])
    return [(own.tolist(), bool(closed)) for own, closed in zip(entries[: chains.count], chains.closed, strict=True)]


@pytest.mark.parametrize("seed", range(40))
def test_random_chains(seed):
    random = np.random.default_rng(seed)
    elements = int(random.integers(1, 400))
    partner = random_partner(elements, int(random.integers(0, elements + 1)), random)
    assert told(partner) == walked(partner)


@pytest.mark.parametrize("seed", range(6))
def test_random_chains_that_walks_put_in_order(seed):
    random = np.random.default_rng(seed)
    elements = int(random.integers(5_000, 60_000))
    partner = random_partner(elements, int(elements * random.uniform(0.5, 1.0)), random)
    assert told(partner) == walked(partner)


@pytest.mark.parametrize("lengths", [[5000], [1] * 50, [3] * 40 + [700, 2, 1], list(range(1, 60)), [5] * 3000, [40_000, 7, 7, 30_000]])
@pytest.mark.parametrize("closed", [False, True])
def test_chains_of_known_length(lengths, closed):
    random = np.random.default_rng(7)
    total = sum(lengths)
    name = random.permutation(total)
    flip = random.integers(0, 2, total)
    partner = np.full(2 * total, -1, dtype=np.int32)
    start = 0
    for length in lengths:
        for step in range(length if closed else length - 1):
            here, there = name[start + step], name[start + (step + 1) % length]
            leave, enter = 2 * here + 1 - flip[here], 2 * there + flip[there]
            partner[leave], partner[enter] = enter, leave
        start += length
    chains = build_chains(partner)
    assert sorted(np.diff(chains.offsets).tolist()) == sorted(lengths)
    assert chains.closed.tolist() == [closed] * len(lengths)
    assert told(partner) == walked(partner)


def test_no_elements():
    assert build_chains(np.zeros(0, dtype=np.int32)).count == 0


@pytest.mark.parametrize("stride", [1, 2, 377, 1000, 4181, 6765])
def test_long_chains_numbered_in_even_steps(stride):
    count = 20_000
    name = np.argsort((np.arange(count) * stride) % (count + 1), kind="stable")
    partner = np.full(2 * count, -1, dtype=np.int32)
    partner[2 * name[:-1] + 1], partner[2 * name[1:]] = 2 * name[1:], 2 * name[:-1] + 1
    assert told(partner) == walked(partner)


@pytest.mark.parametrize("seed", range(20))
def test_chains_told_anew(seed):
    random = np.random.default_rng(seed)
    lengths = random.integers(1, 8, 30)
    starts = np.cumsum(lengths) - lengths
    chosen = random.permutation(30)[:20]
    first, backward = random.integers(0, lengths[chosen]), random.random(20) < 0.5
    expected = []
    for chain, begin, turned in zip(chosen, first, backward, strict=True):
        members = np.roll(starts[chain] + np.arange(lengths[chain]), -begin)
        expected += [*members[:1], *members[:0:-1]] if turned else [*members]
    assert told_anew(starts[chosen], lengths[chosen], first, backward).tolist() == expected
