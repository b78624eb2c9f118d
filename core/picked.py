"""Picking members out of arrays by place, quickly."""

from __future__ import annotations

from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

Kind = TypeVar("Kind", bound=np.generic)


def picked(values: npt.NDArray[Kind], places: npt.NDArray[np.integer[Any]], axis: int = 0) -> npt.NDArray[Kind]:
    """Members of an array at places that are known to lie inside it.

    That places outside wrap round spares numpy the question whether they lie inside, a quarter of the time.
    """
    return values.take(places, axis=axis, mode="wrap")
