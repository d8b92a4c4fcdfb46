"""Types of the arrays that decoding is made of, named by what an element is; shapes stand where they are used."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Bool = NDArray[np.bool_]
Bytes = NDArray[np.uint8]  # data of frames, and small numbers: lengths, flags, channels
U16 = NDArray[np.uint16]
U32 = NDArray[np.uint32]
U64 = NDArray[np.uint64]
I16 = NDArray[np.int16]
I64 = NDArray[np.int64]
F64 = NDArray[np.float64]
