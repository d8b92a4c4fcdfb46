"""What is recorded is what was on the bus: every kind of frame, over several files, two buses, a kill, a full disk."""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import can
import numpy as np
import pytest

from herdbook.decoders import join_frames, open_log, read_frames
from herdbook.decoders.frames import BRS, ERROR, ESI, EXTENDED, FD, REMOTE
from herdbook.pipeline.bench.live.address import bus_address
from herdbook.pipeline.bench.live.listening import Listening
from herdbook.pipeline.bench.live.open_bus import open_bus
from herdbook.pipeline.bench.live.receive import Receiver
from herdbook.pipeline.bench.live.recording import Recording, Rotation, Writing
from herdbook.pipeline.errors import StoreError
from tests.live import buses

ROOT = Path(__file__).parents[2]


def recorded(folder: Path) -> list[Path]:
    return sorted(folder.glob("*.log"), key=lambda p: (p.name[:24], len(p.name), p.name))


def hear(listening: Listening, frames: int) -> None:
    """Until so many have come; a slow machine may take its time."""
    until = time.monotonic() + 30
    while listening.count().frames < frames and time.monotonic() < until:
        time.sleep(0.01)


def made(channel: str, out: Path, rotation: Rotation | None = None) -> Listening:
    opened = [open_bus(bus_address(f"virtual:{c}")) for c in channel.split("+")]
    return Listening(opened, Recording(out, "unit", rotation or Rotation(), {}), None)


def test_every_kind_of_frame_comes_back(tmp_path: Path) -> None:
    sent = [
        can.Message(arbitration_id=0x7FF, is_extended_id=False, data=b""),
        can.Message(arbitration_id=0x123, is_extended_id=False, data=bytes(range(8))),
        can.Message(arbitration_id=0x123, is_extended_id=True, data=b"\xff"),
        can.Message(arbitration_id=0x1FFFFFFF, is_extended_id=True, is_remote_frame=True, dlc=4),
        can.Message(arbitration_id=0x44, is_extended_id=False, is_fd=True, data=bytes(64)),
        can.Message(
            arbitration_id=0x45,
            is_extended_id=True,
            is_fd=True,
            bitrate_switch=True,
            error_state_indicator=True,
            data=b"\xa5" * 12,
        ),
        can.Message(arbitration_id=0x4, is_extended_id=False, is_error_frame=True, data=b"\0\1" + bytes(6), dlc=8),
    ]
    listening = made("kinds", tmp_path)
    listening.start()
    with can.Bus("kinds", interface="virtual", ignore_config=True) as bus:
        for one in sent:
            bus.send(one)
        hear(listening, len(sent))
    listening.stop()
    back = read_frames(recorded(tmp_path)[0])
    assert back.can_id.tolist() == [m.arbitration_id for m in sent]
    kinds = [0, 0, EXTENDED, EXTENDED | REMOTE, FD, EXTENDED | FD | BRS | ESI, EXTENDED | ERROR]
    assert back.flags.tolist() == kinds
    assert back.length.tolist() == [0, 8, 1, 4, 64, 12, 8]
    for i, m in enumerate(sent):
        assert back.payload[i, : len(m.data)].tobytes() == bytes(m.data)
    count = listening.count()
    assert (count.frames, count.error_frames, count.overruns, count.lost) == (7, 1, 1, 0)


def test_two_buses_keep_their_names_and_the_order_of_time(tmp_path: Path) -> None:
    listening = made("first+second", tmp_path)
    listening.start()
    with (
        can.Bus("first", interface="virtual", ignore_config=True) as one,
        can.Bus("second", interface="virtual", ignore_config=True) as other,
    ):
        for k in range(200):
            (one, other)[k % 2].send(buses.message(k))
        hear(listening, 200)
    listening.stop()
    back = read_frames(recorded(tmp_path)[0])
    assert {*back.channels} == {"first", "second"}
    assert (np.diff(back.t) >= 0).all()
    labels = np.array(back.channels)[back.channel]
    numbers = back.payload.view("<u8")[:, 0]
    assert (labels == np.where(numbers % 2 == 0, "first", "second")).all()


def test_files_follow_each_other_and_none_is_written_over(tmp_path: Path) -> None:
    for _ in range(2):  # a second recording, in the same second perhaps
        listening = made("turn", tmp_path, Rotation(size=3000))
        listening.start()
        with can.Bus("turn", interface="virtual", ignore_config=True) as bus:
            for k in range(300):
                bus.send(buses.message(k))
                time.sleep(0.0005)
            hear(listening, 300)
        listening.stop()
        assert listening.recording is not None
        files = listening.recording.files
        assert len(files) > 1
        back = join_frames([read_frames(path) for path in files])
        assert back.payload.view("<u8")[:, 0].tolist() == list(range(300))
    assert len(recorded(tmp_path)) > 2


def test_the_log_says_whose_it_is(tmp_path: Path) -> None:
    about: dict[str, str | bool] = {"vehicle": 'ZB "ö"', "bench": True}
    one = Recording(tmp_path, "unit", Rotation(), about)
    one.write(b"(1700000000.000000) can0 123#00\n", 1_700_000_000_000_000)
    one.close()
    from herdbook.pipeline.intake.sidecar import read_sidecar

    said = read_sidecar(one.files[0], "UTC")
    assert (said.vehicle, said.bench) == ('ZB "ö"', True)


def test_the_queue_is_bounded_and_counts_what_it_drops() -> None:
    opened = open_bus(bus_address("virtual:full"))
    receiver = Receiver(opened, most=100)
    receiver.start()
    with can.Bus("full", interface="virtual", ignore_config=True) as bus:
        for k in range(350):
            bus.send(buses.message(k))
        until = time.monotonic() + 30
        while receiver.dropped < 250 and time.monotonic() < until:
            time.sleep(0.01)
    receiver.stop()
    opened.close()
    assert (len(receiver.taken()), receiver.dropped) == (100, 250)


def test_a_disk_that_stands_still_fills_a_bounded_queue(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """What finds no room is counted, and what was taken is written when the disk goes on."""
    go_on = threading.Event()
    write = Recording.write

    def slow(self: Recording, lines: bytes, t: int) -> None:
        assert go_on.wait(60)
        write(self, lines, t)

    monkeypatch.setattr(Recording, "write", slow)
    writing = Writing(Recording(tmp_path, "unit", Rotation(), {}), most=400)
    line = b"(1700000000.000000) can0 123#00\n"
    for _ in range(50):
        writing.put(line, 1_700_000_000_000_000, 1)
    assert writing.dropped == 50 - 400 // len(line)
    go_on.set()
    writing.close()
    assert len(read_frames(recorded(tmp_path)[0])) == 400 // len(line)


def test_what_the_kernel_drops_is_counted() -> None:
    """A socket's own counter; needs UDP multicast on this machine."""
    try:
        opened = open_bus(bus_address("udp_multicast:239.74.163.19"))
    except Exception as error:
        pytest.skip(f"no multicast here: {error}")
    import socket

    opened.can._multicast._socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
    with can.Bus("239.74.163.19", interface="udp_multicast", ignore_config=True) as bus:
        for k in range(500):
            bus.send(buses.message(k))
    came = 0
    while opened.can.recv(0.2) is not None:
        came += 1
    dropped = opened.dropped()
    opened.close()
    if not came:
        pytest.skip("multicast does not come back on this machine")
    assert dropped is not None
    assert 0 < dropped == 500 - came


def started(*args: str) -> subprocess.Popen[str]:
    env = os.environ | {"PYTHONPATH": str(ROOT)}
    return subprocess.Popen(
        [sys.executable, "-m", "tests.live.listener", *args],
        cwd=ROOT,
        env=env,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
    )


def wait_for_bytes(folder: Path, size: int) -> None:
    until = time.monotonic() + 120
    while sum(p.stat().st_size for p in folder.glob("*.log")) < size:
        assert time.monotonic() < until
        time.sleep(0.02)


@pytest.mark.parametrize("seed", range(2))
def test_a_kill_leaves_a_log_that_can_be_read(seed: int, tmp_path: Path) -> None:
    """All that had been given to the system is there, in order and without a gap; at most one line is cut."""
    process = started(f"kill{seed}", str(tmp_path), "4000")
    wait_for_bytes(tmp_path, 20_000 + random.Random(seed).randrange(60_000))
    process.kill()
    process.communicate()
    (path,) = recorded(tmp_path)
    log = open_log(path)
    back = join_frames(list(log.chunks()))
    numbers = back.payload.view("<u8")[:, 0].astype(np.int64)
    assert len(numbers) > 400
    assert (np.diff(numbers) == 1).all()
    assert sum(loss.bytes for loss in log.losses) < 60


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_it_ends_in_order(number: signal.Signals, tmp_path: Path) -> None:
    process = started(f"end{number}", str(tmp_path), "2000")
    wait_for_bytes(tmp_path, 20_000)
    process.send_signal(number)
    said = process.communicate(timeout=60)[0]
    assert process.returncode == 0, said
    assert "It sends no frame." in said
    assert "none lost" in said
    back = read_frames(recorded(tmp_path)[0])
    assert f"Heard {len(back):,} frames" in said
    assert "Traceback" not in said


def test_a_full_disk_is_told_and_what_was_recorded_stays(tmp_path: Path) -> None:
    process = started("nospace", str(tmp_path), "4000", "50000")
    said = " ".join(process.communicate(timeout=120)[0].split())
    assert process.returncode == 5, said
    assert "no room left for the log; what was recorded stays" in said
    assert "Traceback" not in said
    log = open_log(recorded(tmp_path)[0])
    numbers = join_frames(list(log.chunks())).payload.view("<u8")[:, 0].astype(np.int64)
    assert len(numbers) > 900
    assert (np.diff(numbers) == 1).all()


def test_a_folder_that_cannot_be_made(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(StoreError, match="cannot be written"):
        Recording(tmp_path / "file" / "logs", "unit", Rotation(), {})
