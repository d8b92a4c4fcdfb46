"""Signals as the DBC names them (Message.Signal), in its units: nothing converted, doubtful time taken out."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.lake.part import Part
from herdbook.pipeline.lake.read import LogRef
from herdbook.pipeline.spans import outside


def raw_samples(part: Part, ref: LogRef, name: str, start: int, end: int) -> tuple[Times, Floats]:
    """Of one log between two times, end excluded; empty where the log's network has no such signal."""
    message, _, signal = name.partition(".")
    times, values = [np.empty(0, np.int64)], [np.empty(0, np.float64)]
    if name in part.columns:
        first, last = max(start, ref.start), min(end, ref.end + 1)
        for piece in part.rows({message: [signal]}, ref.log, first, last):
            column = piece.columns[signal]
            rows = slice(None) if column.valid is None else np.flatnonzero(column.valid)
            times.append(piece.t[rows])
            values.append(column.values[rows].astype(np.float64))
    return outside((np.concatenate(times), np.concatenate(values)), list(ref.doubts))
