"""A closed ring of points as a smooth curve by arc length, and how two such curves lie to each other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from .mismatches import ring_fractions
from .polymesh import FloatArray, IntArray

ALIGNMENT_SAMPLES = 360
"""Samples round a ring for the alignment: steps of one degree on a round one."""


@dataclass(frozen=True)
class RingCurve:
    """A closed curve through ring vertices.

    points : (n, 3) float64
    fractions : (n,) float64, increasing, spanning less than 1; where the vertices lie
    """

    points: FloatArray
    fractions: FloatArray

    @classmethod
    def through(cls, points: npt.ArrayLike) -> RingCurve:
        """The curve through points (n, 3), by arc length from the first."""
        ring = np.asarray(points, dtype=np.float64)
        return cls(ring, ring_fractions(ring))

    def shifted(self, offset: float) -> RingCurve:
        """The same curve with all fractions moved by an offset."""
        return RingCurve(self.points, self.fractions + offset)

    def locate(self, columns: npt.ArrayLike) -> tuple[IntArray, FloatArray]:
        """Edge on which every column lies, (k,) int32, and how far along it, (k,) float64 in 0..1."""
        wrapped = np.mod(np.asarray(columns, dtype=np.float64) - self.fractions[0], 1.0) + self.fractions[0]
        edge = np.clip(np.searchsorted(self.fractions, wrapped, side="right") - 1, 0, len(self.points) - 1)
        width = self._widths()[edge]
        along = np.divide(wrapped - self.fractions[edge], width, out=np.zeros(len(wrapped)), where=width > 0)
        return edge.astype(np.int32), np.clip(along, 0.0, 1.0)

    def at(self, columns: npt.ArrayLike) -> FloatArray:
        """Points of the smooth curve at columns (k,), (k, 3) float64.

        Source: cubic Hermite segments with three-point slopes (Catmull and Rom 1974, uneven spacing).
        """
        edge, along = self.locate(columns)
        following = (edge + 1) % len(self.points)
        width = self._widths()[edge][:, None]
        slopes = self._slopes()
        return hermite(self.points[edge], slopes[edge] * width, self.points[following], slopes[following] * width, along)

    def values_at(self, values: FloatArray, columns: npt.ArrayLike) -> FloatArray:
        """Vertex values (n, d) at columns (k,), linear along the edges, (k, d)."""
        edge, along = self.locate(columns)
        return np.asarray(values[edge] * (1.0 - along)[:, None] + values[(edge + 1) % len(values)] * along[:, None])

    def _widths(self) -> FloatArray:
        return np.asarray(np.diff(np.append(self.fractions, self.fractions[0] + 1.0)))

    def _slopes(self) -> FloatArray:
        width = np.maximum(self._widths(), 1e-12)[:, None]
        rise = (np.roll(self.points, -1, axis=0) - self.points) / width
        before = np.roll(width, 1, axis=0)
        return np.asarray((before * rise + width * np.roll(rise, 1, axis=0)) / (before + width))


def hermite(start: FloatArray, start_slope: FloatArray, end: FloatArray, end_slope: FloatArray, along: FloatArray) -> FloatArray:
    """Cubic between (k, 3) points with given slopes at (k,) parameters in 0..1, (k, 3)."""
    t = along[:, None]
    return np.asarray((2 * t**3 - 3 * t**2 + 1) * start + (t**3 - 2 * t**2 + t) * start_slope
                      + (3 * t**2 - 2 * t**3) * end + (t**3 - t**2) * end_slope)


def best_phase(first: RingCurve, second: RingCurve) -> float:
    """Offset of the second ring's fractions at which the total squared distance to the first is least.

    A point of the second at fraction f then faces the first's at f + offset; least distance is least twist.
    """
    samples = np.arange(ALIGNMENT_SAMPLES) / ALIGNMENT_SAMPLES
    one, other = first.at(samples + first.fractions[0]), second.at(samples + second.fractions[0])
    one, other = one - one.mean(axis=0), other - other.mean(axis=0)
    # Sum over i of |one[i] - other[i - shift]|^2 is least where the cross-correlation is greatest.
    spectrum = np.fft.rfft(one, axis=0) * np.conj(np.fft.rfft(other, axis=0))
    correlation = np.fft.irfft(spectrum, ALIGNMENT_SAMPLES, axis=0).sum(axis=1)
    best = int(np.argmax(correlation))
    left, middle, right = correlation[best - 1], correlation[best], correlation[(best + 1) % ALIGNMENT_SAMPLES]
    bend = left - 2.0 * middle + right
    fine = 0.5 * (left - right) / bend if bend < 0 else 0.0
    return float((best + fine) / ALIGNMENT_SAMPLES + first.fractions[0] - second.fractions[0])
