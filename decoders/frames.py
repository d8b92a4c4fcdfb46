"""Frames: the columnar batch of raw CAN frames that every reader yields and every decoder takes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

EXTENDED = 0x01  # 29-bit identifier
FD = 0x02  # CAN FD frame
BRS = 0x04  # FD: bit rate switched
ESI = 0x08  # FD: sender is error passive
REMOTE = 0x10  # remote frame, no data
ERROR = 0x20  # error frame; never decoded
TX = 0x40  # sent by the logger itself


@dataclass(frozen=True, slots=True)
class Frames:
    """Raw frames in file order; all arrays have the same first dimension n.

    t: int64 microseconds, UTC when the log's clock is absolute, else since the start of the log.
    channel: uint8 index into `channels`, the bus labels as the log names them ("can0", "1").
    can_id: uint32 identifier without flag bits. flags: uint8, the constants above.
    length: uint8 data bytes present, 0 to 64. payload: uint8 (n, width), width 8 or 64, zero past length.
    """

    t: NDArray[np.int64]
    channel: NDArray[np.uint8]
    can_id: NDArray[np.uint32]
    flags: NDArray[np.uint8]
    length: NDArray[np.uint8]
    payload: NDArray[np.uint8]
    channels: tuple[str, ...]

    def __len__(self) -> int:
        return int(self.t.shape[0])
