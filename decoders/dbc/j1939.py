"""J1939 identifiers: the parameter group a frame belongs to, and which frames carry pieces of longer messages.

    identifier   priority 3 bits, data page 2, format 8, destination or group extension 8, source address 8
Source: SAE J1939-21, from memory.
"""

from __future__ import annotations

import numpy as np

from herdbook.decoders.arrays import U32, Bool
from herdbook.decoders.frames import ERROR, EXTENDED, REMOTE, Frames

OPENS, PACKET = 0xEC, 0xEB  # formats of the transport protocol


def parameter_group(can_id: U32) -> U32:
    """J1939 parameter group number, uint32 (n,).

    Priority and source address are masked away, and for formats below 240 the destination address too.
    Source: SAE J1939-21, from memory.
    """
    group = (can_id >> np.uint32(8)) & np.uint32(0x3FFFF)
    return np.where((group & np.uint32(0xFF00)) < 0xF000, group & np.uint32(0x3FF00), group)


def is_transport(frames: Frames) -> Bool:
    """True for frames of the transport protocol, bool (n,)."""
    form = (frames.can_id >> np.uint32(16)) & np.uint32(0x3FF)  # with both data page bits, which are 0
    data = (frames.flags & (EXTENDED | ERROR | REMOTE)) == EXTENDED
    return np.asarray(data & ((form == OPENS) | (form == PACKET)) & (frames.length == 8))
