"""What is shown live is what the log says: values as cantools decodes them, formulas, limits, time, screen."""

from __future__ import annotations

import io
import math
import time
from pathlib import Path
from typing import Any

import can
import cantools
import numpy as np
import pytest
from rich.console import Console

from herdbook.decoders import Frames, read_frames
from herdbook.decoders.frames import part
from herdbook.pipeline.bench.live.address import bus_address
from herdbook.pipeline.bench.live.batch import BusClock, frames_of
from herdbook.pipeline.bench.live.limits import Limit, limits_of
from herdbook.pipeline.bench.live.listening import Listening
from herdbook.pipeline.bench.live.newest import Newest, Reading
from herdbook.pipeline.bench.live.open_bus import open_bus
from herdbook.pipeline.commands.terminal import live_rows, live_screen
from herdbook.pipeline.vehicle.profile import load_profile

ROOT = Path(__file__).parents[2]
RIDE = ROOT / "demo_logs" / "fleet" / "ZB-0105_2026-03-20_ride.blf"
ZIRBEL = ROOT / "dbc_demo" / "zirbel.toml"

DBC = """VERSION ""
NS_ :
BS_:
BU_: A
BO_ 256 Pack: 4 A
 SG_ Volts : 0|16@1+ (0.01,0) [0|655] "V" Vector__XXX
 SG_ Watts : 16|16@1- (1,0) [-32768|32767] "W" Vector__XXX
BO_ 257 Page: 3 A
 SG_ Which M : 0|8@1+ (1,0) [0|3] "" Vector__XXX
 SG_ Cell1 m1 : 8|16@1+ (0.001,0) [0|5] "V" Vector__XXX
 SG_ Cell2 m2 : 8|16@1+ (0.001,0) [0|5] "V" Vector__XXX
BO_ 258 Other: 2 A
 SG_ Half : 0|16@1- (0.1,0) [-3276|3276] "A" Vector__XXX
"""
PROFILE = """[pack]
chemistry = "LFP"
cells = 2
rated_ah = 10.0
cell_min_v = 2.5
cell_max_v = 3.65
[[bus]]
dbc = "own.dbc"
[roles]
pack_voltage = "Pack.Volts"
pack_current = { signal = "Pack.Watts", voltage = "Pack.Volts" }
charger_current = { value = "Other.Half * 2", unit = "A" }
cell_voltage = { signal = "Page.Cell{n}", n = "1..2" }
"""


@pytest.fixture
def own(tmp_path: Path) -> Newest:
    (tmp_path / "own.dbc").write_text(DBC)
    (tmp_path / "own.toml").write_text(PROFILE)
    return Newest(load_profile(tmp_path / "own.toml"))


def frames(*given: tuple[int, str], start: int = 1_700_000_000_000_000) -> Frames:
    """(identifier, data), 10 ms apart."""
    messages = [
        can.Message(timestamp=start / 1e6 + i / 100, arbitration_id=n, is_extended_id=False, data=bytes.fromhex(d))
        for i, (n, d) in enumerate(given)
    ]
    clock = BusClock()
    clock.shift = 0
    return frames_of(messages, "can0", clock)


def in_pieces(newest: Newest, all_of_it: Frames, size: int) -> dict[tuple[str, int | str], Reading]:
    for at in range(0, len(all_of_it), size):
        newest.take(part(all_of_it, slice(at, at + size)))
    return newest.readings


def test_the_newest_values_are_those_of_the_log() -> None:
    """cantools decodes the last frame of each message; it shares no code with our decoding."""
    sent = part(read_frames(RIDE), slice(0, 9000))
    found = in_pieces(Newest(load_profile(ZIRBEL)), sent, 160)
    base: Any = cantools.database.load_file(ROOT / "dbc_demo" / "zirbel.dbc")
    compared = 0
    for m in load_profile(ZIRBEL).roles:
        message = base.get_message_by_name(m.message)
        rows = np.flatnonzero(sent.can_id == message.frame_id)
        if (m.role, m.item) not in found or not len(rows) or m.states or m.bit is not None or m.not_available:
            continue
        last = int(rows[-1])
        told = message.decode(sent.payload[last, : sent.length[last]].tobytes(), decode_choices=False)
        if m.signal in told:
            one = found[m.role, m.item]
            assert one.value == pytest.approx(float(told[m.signal]) * m.scale + m.offset, abs=1e-9), m.words
            assert one.t == sent.t[last]
            compared += 1
    assert compared > 30


def test_batches_may_be_cut_anywhere(own: Newest, tmp_path: Path) -> None:
    """Formulas over several signals, pages of a multiplexed message: the same whatever came in one batch."""
    sent = frames(
        (256, "a00f2800"), (257, "01e40c"), (258, "3200"), (257, "02e50c"), (256, "a00f5000"), (257, "03ffff")
    )
    one = {k: (r.value, r.t, r.beyond) for k, r in in_pieces(own, sent, 100).items()}
    two = in_pieces(Newest(load_profile(tmp_path / "own.toml")), sent, 1)
    assert {k: (r.value, r.t, r.beyond) for k, r in two.items()} == one
    assert one["pack_current", ""][0] == pytest.approx(80 / 40.0)  # W over V
    assert one["charger_current", ""][0] == pytest.approx(10.0)
    assert (one["cell_voltage", 1][0], one["cell_voltage", 2][0]) == pytest.approx((3.3, 3.301))


def test_what_lies_beyond_a_limit_is_kept(own: Newest) -> None:
    """One sample between two looks at the screen counts; the furthest is remembered."""
    sent = frames((257, "01e40c"), (257, "01a00f"), (257, "01d70f"), (257, "01e40c"))  # 3.300 4.000 4.055 3.300 V
    one = in_pieces(own, sent, 4)["cell_voltage", 1]
    assert (one.value, one.beyond, one.worst) == pytest.approx((3.3, 2, 4.055))
    assert one.limit == Limit(2.5, 3.65)


def test_limits_are_the_makers_own() -> None:
    limits = limits_of(load_profile(ZIRBEL))
    assert limits["cell_voltage"] == Limit(2.5, 3.65)
    assert limits["pack_current"] == Limit(-30.0, 120.0)
    assert limits["vehicle_speed"].high == pytest.approx(10.0)  # 36 km/h
    assert limits["motor_temp"] == Limit(high=140.0)
    assert "pack_soc" not in limits


def test_a_clock_from_the_interfaces_start_is_set_once() -> None:
    clock = BusClock()
    first = clock.micros([5.0, 5.5])
    assert abs(int(first[1]) - time.time_ns() // 1000) < 60_000_000
    assert int(first[1] - first[0]) == 500_000
    assert int(clock.micros([6.5])[0] - first[1]) == 1_000_000
    same = BusClock()
    now = time.time()
    assert same.micros([now])[0] == round(now * 1e6)
    assert same.shift == 0


def test_a_fault_in_decoding_leaves_the_recording(monkeypatch: pytest.MonkeyPatch) -> None:
    newest = Newest(load_profile(ZIRBEL))
    monkeypatch.setattr(newest, "take", lambda frames: 1 / 0)
    listening = Listening([], None, newest)
    listening._decode(frames((256, "00")))
    assert "ZeroDivisionError" in listening.undecoded


def test_a_fault_of_ours_ends_it_and_is_not_silent() -> None:
    """A thread that dies would look like a bus on which nothing is said."""
    listening = Listening([open_bus(bus_address("virtual:odd"))], None, None)
    listening.start()
    with can.Bus("odd", interface="virtual", ignore_config=True) as bus:
        odd = can.Message(arbitration_id=1, is_extended_id=False, data=b"1")
        odd.arbitration_id = "one"  # type: ignore[assignment]
        bus.send(odd)
        until = time.monotonic() + 30
        while not listening.over and time.monotonic() < until:
            time.sleep(0.01)
    listening.stop()
    assert isinstance(listening.fault, Exception)


class Still:
    """Listening that has ended, for a look at its screen."""

    def __init__(self, newest: Newest) -> None:
        self._newest = newest
        self.gone: list[Exception] = []
        self.undecoded = ""

    def readings(self) -> list[Reading]:
        return list(self._newest.readings.values())

    def count(self) -> object:
        from herdbook.pipeline.bench.live.listening import Count

        return Count(
            frames=9000, rate=8000, lost=3, error_frames=1, overruns=0, bus_off=0, unknown=2, bytes=10**6, delay_ms=12
        )


def drawn(newest: Newest, width: int, height: int, plain: bool = False) -> list[str]:
    console = Console(width=width, height=height, record=True, file=io.StringIO())
    console.print(
        live_screen.picture(
            Still(newest),  # type: ignore[arg-type]
            newest.profile,
            "socketcan:can0",
            seconds=3725,
            width=width,
            height=height,
            plain=plain,
        )
    )
    return console.export_text().splitlines()


@pytest.mark.parametrize(("width", "height"), [(80, 60), (100, 24), (160, 30), (60, 20)])
def test_the_screen_fits(width: int, height: int) -> None:
    newest = Newest(load_profile(ZIRBEL))
    in_pieces(newest, part(read_frames(RIDE), slice(0, 9000)), 500)
    shown = drawn(newest, width, height)
    assert max(map(len, shown)) <= width
    assert len(shown) < height
    assert "01:02:05" in shown[1]
    assert "3 LOST" in shown[1]
    fits = "more row" not in shown[-1]
    assert fits == (height == 60 or width == 160)


def test_what_is_beyond_comes_first_where_not_all_fits(own: Newest) -> None:
    in_pieces(own, frames((256, "58020000"), (257, "02a00f")), 9)
    (first, *_) = [line for line in drawn(own, 80, 8) if "cell voltage" in line or "pack" in line]
    assert first.startswith("! cell voltage 2")


def test_words_of_a_stranger_are_inert(own: Newest) -> None:
    row = live_rows.Row(what="a\x1b[31m", value="\u202ex", unit="", limit="", age=None, trend=(), mark="")
    text = "".join(s.text for line in live_screen.lines([row], 80, False) for s in line)
    assert "\x1b" not in text
    assert "\u202e" not in text


def test_a_small_trend_shows_gaps_and_stands_low_when_still() -> None:
    assert live_rows.sparks([1.0, math.nan, 3.0, 2.0], 6, False) == "  ▁ █▅"
    assert live_rows.sparks([2.0, 2.0], 4, True) == "  __"
