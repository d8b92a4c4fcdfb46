"""Types of the arrays that go from room to room, all of one dimension unless a docstring says otherwise."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Times = NDArray[np.int64]  # microseconds UTC
Integers = NDArray[np.int64]
Indices = NDArray[np.intp]
Bools = NDArray[np.bool_]
Strings = NDArray[np.str_]
