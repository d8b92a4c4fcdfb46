"""herdbook listen and replay as a person meets them: what is refused, what goes away; listening sends nothing."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import can
import pytest
from typer.testing import CliRunner

from herdbook.decoders import read_frames
from herdbook.pipeline.bench.live.address import BusAddress, bus_address, bus_addresses
from herdbook.pipeline.cli import build
from herdbook.pipeline.errors import BusError, HerdbookError, SettingsError
from tests.live import buses

ROOT = Path(__file__).parents[2]
RIDE = ROOT / "demo_logs" / "fleet" / "ZB-0105_2026-03-20_ride.blf"
ZIRBEL = ROOT / "dbc_demo" / "zirbel.toml"


@pytest.fixture(autouse=True)
def ours() -> None:
    buses.known()


def run(*args: str) -> Any:
    return CliRunner().invoke(build(), list(args))


def refused(*args: str) -> HerdbookError:
    done = run(*args)
    assert isinstance(done.exception, HerdbookError), done.output
    return done.exception


@pytest.mark.parametrize(
    ("text", "is_"),
    [
        ("socketcan:can0", BusAddress("socketcan", "can0", "can0")),
        ("socketcan:can0,label=pack,fd=true", BusAddress("socketcan", "can0", "pack", {"fd": True})),
        ("slcan:/dev/ttyUSB0,bitrate=500000", BusAddress("slcan", "/dev/ttyUSB0", "/dev/ttyUSB0", {"bitrate": 500000})),
        ("udp_multicast:ff15::6,port=43113", BusAddress("udp_multicast", "ff15::6", "ff15::6", {"port": 43113})),
        ("slcan:/dev/serial/by-id/usb-a", BusAddress("slcan", "/dev/serial/by-id/usb-a", "slcan")),
    ],
)
def test_an_address_is_read_as_it_is_typed(text: str, is_: BusAddress) -> None:
    assert bus_address(text) == is_


@pytest.mark.parametrize("text", ["can0", ":can0", "socketcan:", "socketcan:can0,=3", "socketcan:can0,label=a b"])
def test_what_is_no_address_is_told(text: str) -> None:
    with pytest.raises(SettingsError):
        bus_address(text)


def test_two_buses_need_two_labels() -> None:
    with pytest.raises(SettingsError, match="label 'can0' is named twice"):
        bus_addresses(["socketcan:can0", "pcan:can0"], {})


@pytest.mark.parametrize(
    ("text", "harmless"),
    [("virtual:x", True), ("socketcan:vcan0", True), ("udp_multicast:239.0.0.1", True), ("socketcan:can0", False)],
)
def test_which_buses_have_no_wire(text: str, harmless: bool) -> None:
    assert bus_address(text).harmless is harmless


def test_listening_sends_nothing(tmp_path: Path) -> None:
    buses.Deaf.sent = 0
    done = run("listen", "--bus", "deaf:x", "--profile", str(ZIRBEL), "--out", str(tmp_path), "--seconds", "0.5")
    assert done.exit_code == 0, done.output
    assert buses.Deaf.sent == 0
    assert "It sends no frame. An interface acknowledges" in " ".join(done.output.split())
    assert "Nothing came. Check bit rate" in done.output
    assert list(tmp_path.glob("*.log")) == []  # a silent bus leaves no empty log


def test_a_bus_that_goes_away_is_told_and_its_log_kept(tmp_path: Path) -> None:
    done = run("listen", "--bus", "vanishing:x", "--out", str(tmp_path))
    assert isinstance(done.exception, BusError)
    assert done.exception.exit_code == 9
    assert "vanishing:x: the bus went away: the interface is down" in str(done.exception)
    assert "Heard 100 frames" in done.output
    (path,) = tmp_path.glob("*.log")
    assert len(read_frames(path)) == 100


def test_the_other_bus_goes_on(tmp_path: Path) -> None:
    """One of two plugs is pulled: the rest is recorded to the end, and the exit code still says so."""
    args = (
        "listen",
        "--bus",
        "vanishing:x",
        "--bus",
        "virtual:calm",
        "--out",
        str(tmp_path),
        "--seconds",
        "1",
        "--json",
    )
    done = run(*args)
    assert isinstance(done.exception, BusError)
    said = json.loads(done.output)
    assert said["frames"] == 100
    assert "vanishing:x" in said["gone"][0]


@pytest.mark.parametrize(
    ("bus", "code", "words"),
    [
        ("socketcn:can0", 2, "no interface is called 'socketcn'. Did you mean socketcan"),
        ("nodriver:0", 9, "a driver or package is missing"),
        ("pcan:x,state=ASLEEP", 2, "state=ASLEEP is not known"),
    ],
)
def test_a_bus_that_cannot_be_opened(bus: str, code: int, words: str, tmp_path: Path) -> None:
    error = refused("listen", "--bus", bus, "--out", str(tmp_path / "out"))
    assert error.exit_code == code, error
    assert words in str(error)


def test_a_missing_interface_of_the_kernel() -> None:
    """Whether the kernel knows CAN or not: a line that says what to do."""
    error = refused("listen", "--bus", "socketcan:can97")
    assert error.exit_code == 9
    assert error.do


def test_a_wrong_profile_or_vehicle_is_refused_before_anything_is_opened(tmp_path: Path) -> None:
    assert refused("listen", "--bus", "virtual:x", "--profile", str(tmp_path / "none.toml")).exit_code == 3
    assert refused("listen", "--bus", "virtual:x", "--out", str(tmp_path), "--vehicle", "a\nb").exit_code == 2


def test_a_log_is_played_and_heard_whole(tmp_path: Path) -> None:
    args = ("--bus", "virtual:play", "--speed", "0", "--profile", str(ZIRBEL), "--out", str(tmp_path), "--json")
    done = run("replay", str(RIDE), *args)
    assert done.exit_code == 0, done.output
    said = json.loads(done.output)
    (path,) = tmp_path.glob("*.log")
    sent, back = read_frames(RIDE), read_frames(path)
    assert said["sent"] == said["frames"] == len(sent) == len(back)
    assert (back.can_id == sent.can_id).all()
    assert (back.payload == sent.payload).all()
    assert {"role": "motor_fault", "item": "left"}.items() <= said["beyond"][0].items()  # the demo's own fault word


def test_true_time_is_kept(tmp_path: Path) -> None:
    """Two seconds of a log at twice the speed: a second at least, whatever the machine does."""
    log = tmp_path / "short.log"
    log.write_text("".join(f"({1700000000 + k / 50:.6f}) can0 123#{k:02X}\n" for k in range(100)))
    done = run("replay", str(log), "--bus", "virtual:true", "--speed", "2", "--out", str(tmp_path / "out"))
    assert done.exit_code == 0, done.output
    (path,) = (tmp_path / "out").glob("*.log")
    t = read_frames(path).t
    assert t[-1] - t[0] >= 0.95e6
    assert "Sent 100 frames." in done.output


def test_a_wire_is_refused_with_a_plain_caution() -> None:
    error = refused("replay", str(RIDE), "--bus", "wire:x")
    assert error.exit_code == 2
    for words in ("replay sends frames", "wheels may spin", "Lift the driven wheels", "--onto-wires"):
        assert words in str(error)


def test_a_wire_that_is_asked_for_gets_the_frames(tmp_path: Path) -> None:
    log = tmp_path / "short.log"
    log.write_text("(1700000000.000000) can0 123#01\n(1700000000.001000) can1 124#02\n")
    with can.Bus("w", interface="wire", ignore_config=True) as far:
        done = run("replay", str(log), "--bus", "wire:w", "--bus", "wire:v,label=can7", "--onto-wires", "--speed", "0")
        assert isinstance(done.exception, HerdbookError)  # no frame is of a bus called w or can7
        assert "no frame of it could be played" in str(done.exception)
        done = run("replay", str(log), "--bus", "wire:w", "--onto-wires", "--speed", "0")
        assert done.exit_code == 0, done.output
        assert "wheels may spin" in " ".join(done.output.split())  # said before it sends
        assert [m.arbitration_id for m in iter(lambda: far.recv(0.2), None) if m] == [0x123, 0x124]


def test_what_a_replay_cannot_do() -> None:
    assert refused("replay", "nothing.log", "--bus", "virtual:x").exit_code == 4
    assert refused("replay", str(RIDE), "--bus", "virtual:x", "--bus", "socketcan:vcan0").exit_code == 2
    assert refused("replay", str(RIDE), "--bus", "socketcan:vcan0", "--out", "x").exit_code == 2
