"""Which shard of the record a vehicle belongs to: the first hexadecimal digits of the SHA-256 of its name.

A shard of more digits lies inside the one of fewer, so that a fleet may grow past its shards without rewriting
anything. Stable for ever: files are named by it in the catalogue.
"""

from __future__ import annotations

import hashlib

# Vehicles of a night in one shard, about; engineering choice: a file of megabytes, not thousands of files.
MOST = 1024


def digits_for(vehicles: int) -> int:
    """How many digits make shards of at most about MOST vehicles each: 16 shards from 1,025 on, 256 from 16,385 on."""
    digits = 0
    while vehicles > MOST * 16**digits:
        digits += 1
    return digits


def shard_of(vehicle: str, digits: int) -> str:
    return hashlib.sha256(vehicle.encode()).hexdigest()[:digits]
