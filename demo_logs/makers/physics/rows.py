"""Many vehicles as one set of arrays: the first axis of every array is the vehicle."""

from __future__ import annotations

from dataclasses import fields, is_dataclass
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Flags = NDArray[np.bool_]
T = TypeVar("T")


def pick(whole: T, rows: NDArray[np.intp]) -> T:
    """The same dataclass, and those inside it, for some vehicles only, as copies."""
    kept: dict[str, Any] = {}
    for f in fields(whole):  # type: ignore[arg-type]
        value = getattr(whole, f.name)
        if isinstance(value, np.ndarray):
            value = value[rows]
        elif is_dataclass(value):
            value = pick(value, rows)
        kept[f.name] = value
    return type(whole)(**kept)


def give_back(whole: object, rows: NDArray[np.intp], part: object) -> None:
    """Write some vehicles' arrays back into the whole."""
    for f in fields(whole):  # type: ignore[arg-type]
        value, new = getattr(whole, f.name), getattr(part, f.name)
        if isinstance(value, np.ndarray):
            value[rows] = new
        elif is_dataclass(value):
            give_back(value, rows, new)


def between(x: Floats, low: Floats | float, high: Floats | float) -> Floats:
    """Clipped; on small arrays several times faster than np.clip, and a ride does it a hundred thousand times."""
    return np.asarray(np.minimum(np.maximum(x, low), high))
