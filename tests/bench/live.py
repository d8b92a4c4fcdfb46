"""How a bus under full load is listened to: lost frames, processor, delay, against python-can with cantools.

    python tests/bench/live.py [--seconds 20] [--kind classic|fd] [--alone]

A process of its own sends over UDP multicast (python-can's udp_multicast interface, this machine only): 8,000 frames a
second, which is more than 1 Mbit/s carries of 8-byte frames; or CAN FD with 64 bytes each, which is more than 5 Mbit/s
carries. `herdbook listen` runs on one core, records, decodes by a profile and draws its screen on a terminal of ours.
The delay is from the kernel's time of a frame to its decoded value. The peer receives the same load on one core with
python-can's receiver, writes it by its CanutilsLogWriter and decodes each frame with cantools. Unpacking what the
interface brings is part of both figures; a real interface's frames are cheaper to take than these.
"""

from __future__ import annotations

import argparse
import json
import os
import pty
import re
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
GROUP = "239.74.163.17"
RATE = 8000
ALONE = False
SENDER = """
import sys, time, can
from herdbook.decoders import read_frames
log, rate, seconds, group, fd = sys.argv[1], int(sys.argv[2]), float(sys.argv[3]), sys.argv[4], sys.argv[5] == "fd"
f = read_frames(log)
bus = can.Bus(group, interface="udp_multicast", ignore_config=True, fd=True)
made = [can.Message(arbitration_id=int(f.can_id[i]), is_extended_id=bool(f.flags[i] & 1), is_fd=fd, bitrate_switch=fd,
        data=f.payload[i, :f.length[i]].tobytes(), dlc=int(f.length[i])) for i in range(min(len(f), 20000))]
begun, n, total = time.time(), 0, int(rate * seconds)
while n < total:
    ahead = begun + n / rate - time.time()
    if ahead > 0.0005:
        time.sleep(ahead)
    bus.send(made[n % len(made)])
    n += 1
print(n, time.time() - begun)
"""
PEER = """
import sys, time, can, cantools
group, dbc, seconds, log = sys.argv[1], sys.argv[2], float(sys.argv[3]), sys.argv[4]
base = cantools.database.load_file(dbc)
bus = can.Bus(group, interface="udp_multicast", ignore_config=True, fd=True)
begun = time.time()
n, cpu = 0, time.process_time()
with can.CanutilsLogWriter(log) as writer:
    while time.time() < begun + seconds:
        message = bus.recv(0.1)
        if message is None:
            continue
        writer(message)
        base.decode_message(message.arbitration_id, message.data, decode_choices=False, allow_truncated=True)
        n += 1
print(n, time.process_time() - cpu)
"""


def fd_profile(folder: Path) -> tuple[Path, Path, Path]:
    """Eight messages of 64 bytes, 32 signals each: profile, DBC file, and a log of them to send."""
    lines = ['VERSION ""', "NS_ :", "BS_:", "BU_: A"]
    for m in range(8):
        lines.append(f"BO_ {0x200 + m} Cells{m}: 64 A")
        lines += [f' SG_ V{32 * m + k + 1:03d} : {16 * k}|16@1+ (0.0001,0) [0|6.5] "V" Vector__XXX' for k in range(32)]
    dbc = folder / "fd.dbc"
    dbc.write_text("\n".join(lines) + "\n")
    roles = "\n".join(f'{{ signal = "Cells{m}.V{{n:03d}}", n = "{32 * m + 1}..{32 * m + 32}" }},' for m in range(8))
    profile = folder / "fd.toml"
    head = '[pack]\nchemistry = "LFP"\ncells = 256\nrated_ah = 30.0\n[[bus]]\ndbc = "fd.dbc"\n'
    profile.write_text(f"{head}[roles]\ncell_voltage = [\n{roles}\n]\n")
    log = folder / "fd.log"
    rows = []
    for i in range(2000):
        data = "".join(int(33000 + 7 * ((i + k) % 40)).to_bytes(2, "little").hex() for k in range(32))
        rows.append(f"({1700000000 + i / 8000:.6f}) can0 {0x200 + i % 8:03X}##1{data.upper()}\n")
    log.write_text("".join(rows))
    return profile, dbc, log


def pinned(core: int) -> Any:
    """For a process about to start: on one core, and with --alone (needs the right) before all other work there."""

    def settle() -> None:
        os.sched_setaffinity(0, {core})
        if ALONE:
            os.sched_setscheduler(0, os.SCHED_RR, os.sched_param(1))

    return settle


def listen(profile: Path, out: Path, seconds: float, sender: list[str]) -> dict[str, Any]:
    """The verb itself with its screen on a terminal of 100 x 60, on core 0; the sender on core 1."""
    ours, theirs = pty.openpty()
    env = os.environ | {"COLUMNS": "100", "LINES": "60", "TERM": "xterm-256color", "PYTHONPATH": str(ROOT)}
    args = [sys.executable, "-m", "herdbook.flows.cli", "listen", "--bus", f"udp_multicast:{GROUP}", "--out", str(out)]
    heard = subprocess.Popen(
        [*args, "--profile", str(profile)], stdout=theirs, stderr=theirs, stdin=theirs, env=env, preexec_fn=pinned(0)
    )
    os.close(theirs)
    shown = bytearray()
    reader = threading.Thread(target=_drain, args=(ours, shown), daemon=True)
    reader.start()
    while b"\x1b" not in shown:  # its screen stands
        time.sleep(0.1)
    time.sleep(1.0)
    before = processor(heard.pid)
    sent = subprocess.run(sender, capture_output=True, text=True, check=True, preexec_fn=pinned(1), env=env)
    time.sleep(1.0)
    spent = processor(heard.pid) - before
    heard.send_signal(2)
    code = heard.wait(60)
    reader.join(2)
    text = re.sub(rb"\x1b\[[0-9;?]*[a-zA-Z]", b"", bytes(shown)).decode("utf-8", "replace")
    frames = int(re.findall(r"Heard ([\d,]+) frame", text)[-1].replace(",", ""))
    lost = re.findall(r"Heard [\d,]+ frames?, (none|[\d,]+)", text)[-1]
    delay = re.findall(r"decoded within (\d+) ms", text)
    n, wall = sent.stdout.split()
    return {
        "code": code,
        "sent": int(n),
        "heard": frames,
        "lost": lost,
        "delay 99 % [ms]": float(delay[-1]) if delay else None,
        "sent a second": int(n) / float(wall),
        "us a frame": 1e6 * spent / max(1, frames),
        "share of a core": spent / float(wall),
    }


def processor(pid: int) -> float:
    """Processor seconds of a running process."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def _drain(handle: int, into: bytearray) -> None:
    try:
        while piece := os.read(handle, 65536):
            into += piece
    except OSError:
        pass


def peer(dbc: Path, log: Path, seconds: float, sender: list[str]) -> dict[str, Any]:
    args = [sys.executable, "-c", PEER, GROUP, str(dbc), str(seconds + 4), str(log)]
    heard = subprocess.Popen(args, stdout=subprocess.PIPE, text=True, preexec_fn=pinned(0))
    time.sleep(2.0)
    sent = subprocess.run(sender, capture_output=True, text=True, check=True, preexec_fn=pinned(1))
    n, cpu = heard.communicate(timeout=60)[0].split()
    return {"sent": int(sent.stdout.split()[0]), "heard": int(n), "us a frame": 1e6 * float(cpu) / max(1, int(n))}


def main() -> None:
    asked = argparse.ArgumentParser()
    asked.add_argument("--seconds", type=float, default=20.0)
    asked.add_argument("--kind", choices=("classic", "fd"), default="classic")
    asked.add_argument("--alone", action="store_true")
    asked.add_argument("--out", type=Path, help="folder for live.json")
    given = asked.parse_args()
    global ALONE
    ALONE = given.alone
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        if given.kind == "fd":
            profile, dbc, log = fd_profile(folder)
        else:
            profile, dbc = ROOT / "dbc_demo" / "zirbel.toml", ROOT / "dbc_demo" / "zirbel.dbc"
            log = ROOT / "demo_logs" / "fleet" / "ZB-0105_2026-03-20_ride.blf"
        sender = [sys.executable, "-c", SENDER, str(log), str(RATE), str(given.seconds), GROUP, given.kind]
        found = {
            "load before": os.getloadavg()[0],
            "ours": listen(profile, folder / "out", given.seconds, sender),
            "peer": peer(dbc, folder / "peer.log", given.seconds, sender),
            "load after": os.getloadavg()[0],
        }
    print(json.dumps(found, indent=2))
    if given.out:
        given.out.mkdir(parents=True, exist_ok=True)
        (given.out / "live.json").write_text(json.dumps(found, indent=2))


if __name__ == "__main__":
    main()
