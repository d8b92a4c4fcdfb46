"""Bus-log files of the ASAM MDF 4 standard, written by asammdf: one group of CAN_DataFrame records.

The field names are those of the standard's bus-logging part; the records are compressed with transposition.
"""

from __future__ import annotations

import struct
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from herdbook.decoders.frames import BRS, EXTENDED, FD, Frames
from herdbook.decoders.reading.rows import FD_LENGTHS

FIELDS = ("BusChannel", "ID", "IDE", "DLC", "DataLength", "DataBytes", "Dir", "EDL", "BRS", "ESI")


def write_mf4(path: Path, frames: Frames) -> None:
    """All frames in one group; times are seconds since the first frame, whose UTC time is the file's start."""
    from asammdf import MDF, Signal
    from asammdf.blocks.v4_blocks import SourceInformation
    from asammdf.blocks.v4_constants import BUS_TYPE_CAN, SOURCE_BUS

    start_us = int(frames.t[0])
    mdf = MDF(version="4.10")
    mdf.header.start_time = datetime.fromtimestamp(start_us / 1e6, UTC)
    source = SourceInformation(source_type=SOURCE_BUS, bus_type=BUS_TYPE_CAN)
    times = (frames.t - start_us) / 1e6
    mdf.append(Signal(samples=_records(frames), timestamps=times, name="CAN_DataFrame", source=source))
    mdf.save(path, overwrite=True, compression=2)
    mdf.close()
    _still(path, start_us)


def _records(frames: Frames) -> np.ndarray[tuple[int, ...], np.dtype[np.void]]:
    width = frames.payload.shape[1]
    kinds = ["u1", "<u4", "u1", "u1", "u1", f"({width},)u1", "u1", "u1", "u1", "u1"]
    records = np.zeros(len(frames), [(f"CAN_DataFrame.{n}", k) for n, k in zip(FIELDS, kinds, strict=True)])
    code = np.searchsorted(FD_LENGTHS, frames.length)
    columns = (
        frames.channel + 1,
        frames.can_id,
        (frames.flags & EXTENDED) != 0,
        code,
        frames.length,
        frames.payload,
        np.zeros(len(frames), np.uint8),
        (frames.flags & FD) != 0,
        (frames.flags & BRS) != 0,
        np.zeros(len(frames), np.uint8),
    )
    for name, column in zip(FIELDS, columns, strict=True):
        records[f"CAN_DataFrame.{name}"] = column
    return records


def _still(path: Path, start_us: int) -> None:
    """Put the log's own time where the library stamps the time of writing, so that the same frames give the
    same bytes. A file-history block holds it 40 bytes behind its mark."""
    data = bytearray(path.read_bytes())
    at = data.find(b"##FH")
    while at >= 0:
        struct.pack_into("<Q", data, at + 40, start_us * 1000)
        at = data.find(b"##FH", at + 4)
    path.write_bytes(bytes(data))
