"""A real socket of the kernel: what is replayed onto a virtual CAN is heard whole by a listener of its own."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import can
import pytest

from herdbook.decoders import read_frames

ROOT = Path(__file__).parents[2]
RIDE = ROOT / "demo_logs" / "fleet" / "ZB-0105_2026-03-20_ride.blf"
NAME, MARK = "vcan77", 0x7FF


@pytest.fixture
def vcan() -> Iterator[str]:
    """A virtual CAN of the kernel, made for this test; skipped with the reason where there can be none."""
    ip = shutil.which("ip")
    if ip is None:
        pytest.skip("vcan: the program `ip` is missing, so that none can be made")
    made = subprocess.run([ip, "link", "add", "dev", NAME, "type", "vcan"], capture_output=True, text=True, check=False)
    if made.returncode:
        pytest.skip(f"vcan: the kernel makes none here ({made.stderr.strip()})")
    try:
        up = subprocess.run([ip, "link", "set", "up", NAME], capture_output=True, text=True, check=False)
        if up.returncode:
            pytest.skip(f"vcan: it cannot be set up ({up.stderr.strip()})")
        yield f"socketcan:{NAME}"
    finally:
        subprocess.run([ip, "link", "delete", NAME], capture_output=True, check=False)


def heard_whole(bus: str, folder: Path) -> None:
    """A listener with a process of its own records what `replay` sends, every frame in order. That it listens is known
    by a mark that is sent until its log begins."""
    command = [sys.executable, "-m", "herdbook.flows.cli"]
    env = os.environ | {"PYTHONPATH": str(ROOT)}
    out = folder / "out"
    interface, _, channel = bus.partition(":")
    listen = [*command, "listen", "--bus", bus, "--out", str(out), "--seconds", "120", "--json"]
    with subprocess.Popen(listen, stdout=subprocess.PIPE, text=True, env=env) as heard:
        with can.Bus(channel, interface=interface, ignore_config=True) as marks:
            while not (out.is_dir() and any(out.iterdir())):
                assert heard.poll() is None
                marks.send(can.Message(arbitration_id=MARK, is_extended_id=False, data=b"\0"))
                time.sleep(0.1)
        replay = [*command, "replay", str(RIDE), "--bus", bus, "--speed", "20", "--json"]
        sent = subprocess.run(replay, capture_output=True, text=True, env=env, check=True)
        heard.send_signal(2)
        said = json.loads(heard.communicate(timeout=60)[0])
    assert json.loads(sent.stdout)["sent"] > 1000
    assert said["lost"] == 0
    [log] = [p for p in out.iterdir() if p.suffix != ".toml"]
    ids = read_frames(log).can_id
    assert ids[ids != MARK].tolist() == read_frames(RIDE).can_id.tolist()


def test_what_is_sent_on_a_virtual_can_is_heard(vcan: str, tmp_path: Path) -> None:
    heard_whole(vcan, tmp_path)
