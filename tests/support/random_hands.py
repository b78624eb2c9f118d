"""Invented hands drawn by chance, many of them with digits that are partly grown together, and their plans."""

from __future__ import annotations

import numpy as np

from ringwright.core.plan import Fork, Limb, LimbPlan, Socket, Splice
from ringwright.core.polymesh import FloatArray

from .creatures import grown
from .shapes import LimbChain, Shape

BLEND = 0.18
CELLS = 110


def random_hand(seed: int) -> tuple[LimbPlan, Shape]:
    """Two to five digits of random size, spread and curl, every other hand with a thumb; neighbours may touch or cross."""
    rng = np.random.default_rng(seed)
    count, girth, length = int(rng.integers(2, 6)), rng.uniform(0.8, 1.2), rng.uniform(2.0, 3.2)
    across = 0.95 * (np.arange(count) - 0.5 * (count - 1)) * rng.uniform(0.9, 1.1, count)
    digits = {f"digit {place + 1}": _digit(rng, x, x * rng.uniform(0.05, 0.25), length) for place, x in enumerate(across)}
    thumb = {"thumb": _thumb(rng, length)} if rng.random() < 0.6 else {}
    return _hand(rng, girth, length, digits, thumb)


def fused_hand(seed: int) -> tuple[LimbPlan, Shape]:
    """Two to five digits that fan out, two neighbours of them grown together for about half of their length."""
    rng = np.random.default_rng([seed, 1])
    count, girth, length = int(rng.integers(2, 6)), rng.uniform(0.8, 1.2), rng.uniform(2.0, 3.2)
    gaps = rng.uniform(0.85, 1.05, count - 1)
    gaps[int(rng.integers(count - 1))] *= 0.72
    across = np.append(0.0, np.cumsum(gaps))
    fan = rng.uniform(0.12, 0.25)
    digits = {f"digit {place + 1}": _digit(rng, x, fan * x, length) for place, x in enumerate(across - across.mean())}
    return _hand(rng, girth, length, digits, {})


def _digit(rng: np.random.Generator, across: float, spread: float, palm: float) -> LimbChain:
    radius, length, bones, curl = rng.uniform(0.3, 0.42), rng.uniform(1.6, 3.2), int(rng.integers(2, 4)), rng.uniform(0.0, 0.6)
    along = np.linspace(0.0, 1.0, bones + 1)
    joints = np.column_stack([across + spread * along * length / 1.5, -curl * along**2, palm + along * length])
    return LimbChain(joints, np.linspace(1.1 * radius, 0.85 * radius, bones + 1))


def _thumb(rng: np.random.Generator, palm: float) -> LimbChain:
    radius, length, side = rng.uniform(0.32, 0.45), rng.uniform(2.5, 3.5), rng.choice([-1.0, 1.0])
    way = np.array([0.85 * side, rng.uniform(-0.3, 0.3), 0.5])
    root = np.array([0.35 * side, 0.0, palm * rng.uniform(0.3, 0.55)])
    return LimbChain(root + np.linspace(0.0, length, 3)[:, None] * way / np.linalg.norm(way), radius * np.array([1.15, 1.0, 0.9]))


def _hand(rng: np.random.Generator, girth: float, length: float, digits: dict[str, LimbChain],
          thumb: dict[str, LimbChain]) -> tuple[LimbPlan, Shape]:
    """Digits and a thumb on a palm on an arm; flesh inside the palm carries every digit."""
    wrist: FloatArray = np.zeros(3)
    shoulder = np.array([rng.uniform(-0.5, 0.5), rng.uniform(-1.0, 1.0), -rng.uniform(3.0, 5.0)])
    trunk = {"arm": LimbChain(np.stack([shoulder, wrist]), np.array([rng.uniform(0.7, 1.1), 0.72 * girth])),
             "palm": LimbChain(np.array([[0.0, 0, 0], [0, 0, length]]), np.array([0.75, 0.8]) * girth)}
    inside = {f"in {name}": LimbChain(np.stack([chain.joints[0] * [0.5, 1, 0.2], chain.joints[0]]), np.array([0.5 * girth, 0.48]))
              for name, chain in digits.items()}
    chains = {**trunk, **digits, **thumb}
    limbs = tuple(Limb(name, chain.joints, tip="open" if name in trunk else "closed") for name, chain in chains.items())
    plan = LimbPlan(limbs, (Fork("palm", tuple(digits)),), tuple(Socket("palm", name) for name in thumb), (Splice("palm", "arm"),))
    return plan, grown({**chains, **inside}, BLEND, CELLS)
