"""What a log holds of one session: every message at its own times, every signal with its sensor's errors, as counts.

The result is the first campaign's `Observed`, so that the same samples become frames and log files (demo_logs.frames)
or go straight to the metrics (judge.py)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from demo_logs.makers.bus import Sent
from demo_logs.makers.faults import CHARGE, REST, RIDE, Fault
from demo_logs.makers.sense_errors import Interference, LooseWire, noise_of
from demo_logs.makers.trace import Trace
from demo_logs.makers.vehicle import Vehicle
from demo_logs.makers.world import Seen
from demo_logs.simulator.bus import Field, Message, messages
from demo_logs.simulator.logger import Observed
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.roles import ROLES

Floats = NDArray[np.float64]
Times = NDArray[np.int64]
HELD = frozenset(
    {"contactor_state", "bms_state", "bms_fault", "cell_bleed", "motor_fault", "controller_fault", "regen_state"}
    | {"trigger", "charger_state"}
)
SPACING_US = 1500  # from frame to frame in a burst of a sleeping bus
RARE_MS, RARE = 2000, 10  # messages with such a period come in every tenth burst only
READS_BOTH_V = 5.0  # top of a group monitor over an open tap
ALIVE = {RIDE: ("drive", "pack"), CHARGE: ("pack", "charger"), REST: ("pack",)}


def messages_of(profile: Profile) -> dict[str, Message]:
    """By name; read once a design."""
    return {m.name: m for m in messages(profile)}


class Sensed:
    """One session as its sensors and its logger see it."""

    def __init__(self, vehicle: Vehicle, seen: Seen) -> None:
        self.vehicle, self.seen = vehicle, seen
        self.trace: Trace = seen.trace
        self.kind = seen.event.kind
        self.rng = vehicle.rng(8, seen.event.start // 1_000_000)
        length = seen.event.seconds
        self.noisy = Interference(vehicle, seen.trace, seen.row, self.kind, length, self.rng)
        loose = self._fault("loose_sense_wire")
        size = loose.at(seen.event.start) if loose else 0.0
        self.loose = LooseWire(int(loose.item), size, self.kind, length, self.rng) if loose and size > 0 else None
        broken = self._fault("open_sense_wire")
        self.open_tap = int(broken.item) if broken and broken.at(seen.event.start) > 0 else 0
        frozen = self._fault("temp_frozen")
        self.still = int(frozen.item) if frozen and frozen.at(seen.event.start) > 0 else 0

    def _fault(self, name: str) -> Fault | None:
        return next((f for f in self.vehicle.faults if f.name == name), None)

    def observe(self, known: dict[str, Message]) -> list[Observed]:
        """All messages of the log; those of units asleep are not there. known: messages_of the profile."""
        out, place = [], 0
        for sent in self.vehicle.bus.messages:
            message = known[sent.name]
            if sent.alive in ALIVE[self.kind]:
                out.append(self._message(sent, message, place))
                place += max(1, len(message.pages))
        return [o for o in out if len(o.t)]

    def _message(self, sent: Sent, message: Message, place: int) -> Observed:
        t = self._times(sent, max(1, len(message.pages)), place)
        count = np.arange(len(t), dtype=np.int64)
        page = np.resize(np.array(message.pages, np.int64), len(t)) if message.pages else np.zeros(len(t), np.int64)
        keep = self.rng.random(len(t)) >= self.vehicle.habits.drop
        if sent.alive == "drive":
            keep &= self.trace.at("silent", self.seen.row, 0, t / 1e6, hold=True) < 0.5
        t, count, page = t[keep], count[keep], page[keep]
        raw = {}
        for f in message.fields:
            mine = t if f.page is None else t[page == f.page]
            raw[f.signal] = _counts(f, self._value(f, mine / 1e6))
        return Observed(message, self.seen.event.start + t, count, page, raw)

    def _times(self, sent: Sent, pages: int, place: int) -> Times:
        """Microseconds since the start at which the logger hears the message."""
        end_us = int(self.seen.event.seconds * 1e6)
        if self.kind == RIDE:
            first = int(self.seen.event.log_from_s * 1e6)
            period = sent.period_ms * 1000.0
            count = int((end_us - first) / period)
            jitter = np.clip(self.rng.normal(0.0, 300.0, count), -900.0, 900.0)
            t = first + self.rng.uniform(0.0, min(period, 1e6)) + np.arange(count) * period + jitter
            t = np.rint(t).astype(np.int64)
            return np.asarray(t[(t >= first) & (t < end_us)])
        bus = self.vehicle.bus
        burst_us = int(1e6 * (bus.charge_burst_s if self.kind == CHARGE else bus.rest_burst_s))
        bursts = np.arange(end_us // burst_us, dtype=np.int64)
        if sent.period_ms >= RARE_MS:
            bursts = bursts[::RARE]
        inside = (place + np.arange(pages)) * SPACING_US
        return np.asarray((bursts[:, None] * burst_us + inside).ravel() + 50_000)

    def _value(self, f: Field, t: Floats) -> Floats:
        """As read, in the role's unit; NaN: no value."""
        role, item = f.mapping.role, f.mapping.item
        column = item - 1 if isinstance(item, int) else 1 if item == "right" else 0
        if ROLES[role].unit == "id":
            return np.full(len(t), float(self._identity(role)))
        if role == "cell_voltage":
            return self._cell(int(item), t)
        value = self.trace.at(role, self.seen.row, column, t, hold=role in HELD)
        if role == "cell_temp" and item == self.still:
            return value
        if role == "pack_current":
            value = value + self.noisy.amps(t)
        if role.endswith("temp"):
            value = value + self.noisy.kelvin(t)
        sd = noise_of(role, self.vehicle.design.sensors)
        if sd > 0.0:
            zero = (role in ("regen_current", "charger_current")) & (value <= 0.0)
            value = np.where(zero, value, value + self.rng.normal(0.0, sd, len(t)))
        low, high = ROLES[role].low, ROLES[role].high
        return np.asarray(np.clip(value, low, high)) if low < high else value

    def _identity(self, role: str) -> int:
        """Serial numbers of the vehicle and its parts; one firmware a design."""
        if role == "vehicle_serial":
            return self.vehicle.one.serial
        if role.endswith("firmware"):
            return 0x0100 + self.vehicle.design.index % 0x0100
        return 1000 * (self.vehicle.design.index + 1) + self.vehicle.one.serial

    def _cell(self, item: int, t: Floats) -> Floats:
        if item == self.open_tap:
            return np.zeros(len(t))
        value = self._group(item, t)
        if self.open_tap and item == self.open_tap + 1:
            value = np.minimum(value + self._group(item - 1, t), READS_BOTH_V)
        value = value + self.vehicle.one.tap_v[item - 1] + self.noisy.volts(t)
        if self.loose is not None:
            value = value + self.loose.shift(item, t)
        value = value + self.rng.normal(0.0, self.vehicle.design.sensors.cell_noise_v, len(t))
        return np.asarray(np.clip(value, 0.0, READS_BOTH_V))

    def _group(self, item: int, t: Floats) -> Floats:
        """True voltage of a group."""
        row, trace = self.seen.row, self.trace
        if "cell_voltage" in trace.tracks:
            return trace.at("cell_voltage", row, item - 1, t)
        ohm = trace.at("cell_ohm", row, item - 1, t)
        drop = ohm * trace.at("true_current", row, 0, t)
        return np.asarray(np.maximum(trace.at("cell_emf", row, item - 1, t) - drop, 0.0))


def _counts(f: Field, value: Floats) -> NDArray[np.int64]:
    """Counts on the bus; what has no value becomes the mapping's code for it, or the top of the range."""
    m = f.mapping
    none = np.isnan(value)
    filled = np.where(none, 0.0, value)
    if m.states:
        table = np.zeros(max(m.states.values()) + 1, np.int64)
        for raw, index in m.states.items():
            table[index] = raw
        return np.asarray(table[filled.astype(np.int64)])
    counts = np.rint(((filled - m.offset) / m.scale - f.base) / f.step)
    top = f.high - 1 if m.not_available else f.high
    gone = round((m.not_available[0] - f.base) / f.step) if m.not_available else f.high
    return np.asarray(np.where(none, gone, np.clip(counts, f.low, top)), np.int64)
