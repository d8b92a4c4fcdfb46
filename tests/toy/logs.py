"""Small candump logs of the toy vehicle in data/toy.dbc, written with struct alone: no code of the decoders."""

from __future__ import annotations

import struct
from pathlib import Path

T0 = 1_772_352_000_000_000  # 2026-03-01T08:00:00Z


def frame(t: int, can_id: int, data: bytes, channel: str = "can0") -> str:
    return f"({t // 1_000_000}.{t % 1_000_000:06d}) {channel} {can_id:03X}#{data.hex().upper()}"


def pack(t: int, volt: float, current: float, soc: float, mode: int, temp: float = 25.0, n: int = 0) -> str:
    data = struct.pack(
        "<HhBBh", round(volt * 100), round(current * 10), round(soc * 2), mode | (n & 15) << 4, round(temp * 10)
    )
    return frame(t, 0x100, data)


def cells(t: int, bank: int, a_mv: int, b_mv: int) -> str:
    return frame(t, 0x101, struct.pack("<BHHxxx", bank, a_mv, b_mv))


def drive(t: int, kmh: float, rpm: int, temp: float = 30.0, mask: int = 0) -> str:
    return frame(t, 0x102, struct.pack("<hhhBB", round(kmh * 100), rpm, round(temp * 10), mask, 0))


def ident(t: int, serial: int, pack_serial: int = 501) -> str:
    return frame(t, 0x103, struct.pack("<II", serial, pack_serial))


def stretch(
    start: int,
    seconds: float,
    *,
    kmh: float = 0.0,
    amps: float = 0.0,
    mode: int = 1,
    serial: int = 7,
    pack_serial: int = 501,
    first: int = 0,
) -> list[str]:
    """Ten frames a second of each message and one ident a second; values follow the time, so any cut is the same."""
    lines = []
    for i in range(round(seconds * 10)):
        t, n = start + i * 100_000, first + i
        wave = (t // 100_000) % 50
        current = amps + wave * 0.1 if amps else 0.0
        lines.append(pack(t, 13.2 + wave * 0.01, current, 50.0, mode, 25 + wave * 0.1, n))
        lines.append(cells(t + 10_000, n % 2, 3300 + wave, 3310 - wave))
        lines.append(drive(t + 20_000, kmh + (wave * 0.02 if kmh else 0), round(kmh * 20), 30 + wave * 0.2))
        if n % 10 == 0:
            lines.append(ident(t + 30_000, serial, pack_serial))
    return lines


def day(start: int = T0, serial: int = 7) -> list[str]:
    """A rest, a ride, a rest and a charge without a break between them: 12 minutes."""
    out = stretch(start, 60, serial=serial)
    out += stretch(start + 60_000_000, 240, kmh=18, amps=-20, mode=2, serial=serial, first=600)
    out += stretch(start + 300_000_000, 240, serial=serial, first=3000)
    out += stretch(start + 540_000_000, 180, amps=5, mode=3, serial=serial, first=5400)
    return out


def sidecar(log: Path, text: str) -> None:
    """Write the log's sidecar."""
    log.with_name(log.name + ".toml").write_text(text)


def write(path: Path, lines: list[str], age_s: float = 60.0) -> Path:
    """Write a log that has been lying there for age_s seconds."""
    import os
    import time

    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("\n".join(lines) + "\n" if lines else "", "ascii")
    then = time.time() - age_s
    os.utime(path, (then, then))
    return path
