"""Log files: the same frames give the same bytes, and other people's readers see the same frames."""

from __future__ import annotations

import time
import warnings
from pathlib import Path

import can
import numpy as np
import pytest

from demo_logs.writers import WRITERS, write_log
from herdbook.decoders.frames import EXTENDED, FD
from tests.demo.conftest import Short, short_ride

PLAIN = (".log", ".blf", ".asc")


@pytest.mark.parametrize("suffix", sorted(WRITERS))
def test_same_seed_same_bytes(suffix: str, tmp_path: Path) -> None:
    first, second = tmp_path / f"one{suffix}", tmp_path / f"two{suffix}"
    write_log(first, short_ride("saumer", minutes=0.1).frames)
    time.sleep(1.1)  # nothing of the clock of this machine may get in
    write_log(second, short_ride("saumer", minutes=0.1).frames)
    assert first.read_bytes() == second.read_bytes()


@pytest.mark.parametrize("suffix", PLAIN)
def test_python_can_reads_every_frame(short: Short, suffix: str, tmp_path: Path) -> None:
    path, frames = tmp_path / f"ride{suffix}", short.frames
    write_log(path, frames)
    with can.LogReader(str(path)) as reader:
        rows = list(reader)
    assert [m.arbitration_id for m in rows] == frames.can_id.tolist()
    assert [bytes(m.data) for m in rows] == [
        p[:n].tobytes() for p, n in zip(frames.payload, frames.length, strict=True)
    ]
    assert [m.is_extended_id for m in rows] == ((frames.flags & EXTENDED) != 0).tolist()
    assert [m.is_fd for m in rows] == ((frames.flags & FD) != 0).tolist()
    seconds = np.array([m.timestamp for m in rows])
    np.testing.assert_allclose(seconds - seconds[0], (frames.t - frames.t[0]) / 1e6, atol=2e-6)


def test_asammdf_extracts_the_same_signals(short: Short, tmp_path: Path) -> None:
    asammdf = pytest.importorskip("asammdf")
    path = tmp_path / "ride.mf4"
    write_log(path, short.frames)
    role, signal = ("pack_voltage", "PackVoltage") if short.profile.name == "zirbel" else ("pack_voltage", "Terminal")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with asammdf.MDF(path) as mdf:
            buses = [(str(dbc), 0) for _, dbc in short.profile.buses]
            values = mdf.extract_bus_logging({"CAN": buses}).get(signal).samples
    seen = next(o for o in short.observed if signal in o.raw)
    field = next(f for f in seen.message.fields if f.mapping.role == role)
    np.testing.assert_allclose(values, seen.raw[signal] * field.step + field.base, rtol=1e-9)


def test_relative_clock_begins_at_zero(tmp_path: Path) -> None:
    path = tmp_path / "ride.log"
    write_log(path, short_ride("zirbel", minutes=0.1).frames, relative=True)
    assert path.read_text().startswith("(0000000000.000000) can0 ")


def test_unknown_suffix_is_refused(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="no writer"):
        write_log(tmp_path / "ride.xyz", short_ride("zirbel", minutes=0.1).frames)
