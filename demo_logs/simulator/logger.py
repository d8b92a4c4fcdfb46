"""The logger and the sensors: from true values to what a log holds.

Each message is sampled at its own times (phase, jitter, thinning, losses), each signal gets its sensor's
noise and is rounded to the steps of its DBC signal. The same samples become Signals
(`signals_of`) or frames (`demo_logs.frames`).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from demo_logs.simulator.bus import Field, Message, messages
from demo_logs.simulator.trace import HOLD, Trace
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.roles import ROLES

Floats = NDArray[np.float64]
Times = NDArray[np.int64]
COMPUTED = frozenset({"regen_current", "charger_current"})  # a true zero is sent as zero
BOOTS = frozenset({"BootCount", "StartCount"})  # counters of starts; no role reads them
CONTROLLERS = frozenset({"CTRL", "Drive"})  # senders that fall silent while the controller restarts

# Standard deviation of one sample, in the role's unit, before rounding (engineering choice).
NOISE = {
    "pack_voltage": 0.008,
    "pack_current": 0.08,
    "cell_voltage": 0.0010,
    "cell_temp": 0.08,
    "bms_temp": 0.08,
    "ambient_temp": 0.1,
    "motor_speed": 1.2,
    "motor_current": 0.2,
    "motor_temp": 0.2,
    "fet_temp": 0.2,
    "dc_link_voltage": 0.04,
    "regen_current": 0.10,
    "vehicle_speed": 0.015,
    "charger_voltage": 0.01,
    "charger_current": 0.03,
    "link_quality": 0.6,
}
# A bus that sleeps between bursts: seconds from burst to burst, and of which burst slow messages are part.
BURST_S = {"charge": 2.0, "rest": 20.0}
RARE_MS, RARE = 500.0, 10  # messages with a cycle from here on come in every tenth burst only
SPACING_US = 1500  # from frame to frame inside a burst


@dataclass(frozen=True, slots=True)
class Logger:
    """thin: keep one frame in so many, by a role the message carries ("motor_speed": 5); "" stands for every
    message. burst_s: seconds between bursts of a sleeping bus; None: as its kind of session has it.
    drop: share of frames lost one by one. bursts: stretches of 0.3 to 2 s in which everything is
    lost, an hour. without: roles that this vehicle's bus does not carry."""

    thin: dict[str, int] = field(default_factory=dict)
    burst_s: float | None = None
    drop: float = 0.0
    bursts_per_h: float = 0.0
    without: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class Observed:
    """Samples of one message: t microseconds UTC; count: frames the bus had carried before; page:
    multiplexer value of each; raw: counts by signal, one for each frame that carries it."""

    message: Message
    t: Times
    count: NDArray[np.int64]
    page: NDArray[np.int64]
    raw: dict[str, NDArray[np.int64]]


def observe(
    trace: Trace,
    row: int,
    profile: Profile,
    kind: str,
    logger: Logger,
    rng: np.random.Generator,
    noise: float = 1.0,
) -> list[Observed]:
    """What the logger keeps of one vehicle (row of the batch) of one session."""
    out, place = [], 0
    span_us = int(trace.t_s[-1] * 1e6)
    lost = _bursts(rng, logger.bursts_per_h, span_us)
    loose = _loose_wire(trace, row, kind, rng)
    for message in messages(profile):
        fields = [f for f in message.fields if f.mapping.role in trace.data and f.mapping.role not in logger.without]
        if not fields:
            continue
        t = _sent(message, place, kind, logger, span_us, rng)
        place += max(1, len(message.pages))
        count = np.arange(len(t), dtype=np.int64)
        keep = count // max(1, len(message.pages)) % _thin(message, logger) == 0
        keep &= rng.random(len(t)) >= logger.drop
        for start, end in lost:
            keep &= (t < start) | (t >= end)
        if message.sender in CONTROLLERS and "_silent" in trace.data:
            silent = np.interp(t / 1e6, trace.t_s, trace.data["_silent"][:, row, 0])
            keep &= silent < 0.5
        page = _pages(message, len(t))[keep]
        t, count = t[keep], count[keep]
        raw = {}
        for f in fields:
            mine = t if f.page is None else t[page == f.page]
            value = _value(trace, row, f, mine, rng, noise, loose)
            raw[f.signal] = _counts(f, value)
        for name in BOOTS & set(message.others):
            raw[name] = np.full(len(t), int(trace.data["_boots"][0, row, 0]), np.int64)
        out.append(Observed(message, trace.start_us[row] + t, count, page, raw))
    return out


def _sent(message: Message, place: int, kind: str, logger: Logger, span_us: int, rng: np.random.Generator) -> Times:
    """When the bus carries this message, in microseconds since the start."""
    if kind == "ride":
        period = message.cycle_ms * 1000.0
        count = int(span_us / period)
        phase = rng.uniform(0.0, min(period, 1e6))
        jitter = np.clip(rng.normal(0.0, 250.0, count), -900.0, 900.0)
        t = np.rint((phase + np.arange(count) * period + jitter) / 10.0).astype(np.int64) * 10
        return np.asarray(t[(t >= 0) & (t <= span_us)])
    burst_us = int(1e6 * (logger.burst_s or BURST_S[kind]))
    bursts = np.arange(span_us // burst_us, dtype=np.int64)
    if message.cycle_ms >= RARE_MS:
        bursts = bursts[::RARE]
    pages = max(1, len(message.pages))
    inside = (place + np.arange(pages)) * SPACING_US
    return np.asarray((bursts[:, None] * burst_us + inside[None, :]).ravel() + 100_000)


def _thin(message: Message, logger: Logger) -> int:
    roles = {f.mapping.role for f in message.fields}
    return max([n for role, n in logger.thin.items() if role in roles], default=logger.thin.get("", 1))


def _pages(message: Message, count: int) -> NDArray[np.int64]:
    if not message.pages:
        return np.zeros(count, np.int64)
    return np.resize(np.array(message.pages, np.int64), count)


def _bursts(rng: np.random.Generator, per_h: float, span_us: int) -> list[tuple[float, float]]:
    count = int(rng.poisson(per_h * span_us / 3.6e9)) if per_h > 0 else 0
    starts = rng.uniform(0, span_us, count)
    return [(float(s), float(s) + rng.uniform(0.3e6, 2e6)) for s in starts]


def _value(
    trace: Trace, row: int, f: Field, t: Times, rng: np.random.Generator, noise: float, loose: _Loose | None
) -> Floats:
    """True value at t in the role's unit, with sensor noise; NaN = no value."""
    role, item = f.mapping.role, f.mapping.item
    column = 0 if item == "" else (int(item) - 1 if isinstance(item, int) else ("left", "right").index(item))
    track = trace.data[role][:, row, column]
    seconds = t / 1e6
    if role in HOLD:
        index = np.clip(np.searchsorted(trace.t_s, seconds, side="right") - 1, 0, len(track) - 1)
        value = track[index].astype(np.float64)
    else:
        value = np.interp(seconds, trace.t_s, track)
    if role == "cell_voltage" and loose is not None:
        value = value + loose.shift(int(item), seconds)
    still = role == "cell_temp" and trace.data["_still"][0, row, column] > 0  # frozen: not even noise
    if (sd := NOISE.get(role, 0.0) * noise) and not still:
        noisy = value + rng.normal(0.0, sd, len(t))
        value = np.where(value > 0.0, noisy, value) if role in COMPUTED else noisy
        if ROLES[role].low == 0.0:
            value = np.clip(value, 0.0, ROLES[role].high)
    return value


def _counts(f: Field, value: Floats) -> NDArray[np.int64]:
    m = f.mapping
    none = np.isnan(value)
    if m.states:
        back = np.zeros(max(m.states.values()) + 1, np.int64)
        for raw, index in m.states.items():
            back[index] = raw
        return np.asarray(back[np.where(none, 0, value).astype(np.int64)])
    physical = (np.where(none, 0.0, value) - m.offset) / m.scale
    counts = np.rint((physical - f.base) / f.step)
    top = f.high - 1 if m.not_available else f.high
    out = np.clip(counts, f.low, top).astype(np.int64)
    gone = round((m.not_available[0] - f.base) / f.step) if m.not_available else f.high
    return np.asarray(np.where(none, gone, out))


@dataclass(frozen=True, slots=True)
class _Loose:
    """A loose sense wire: knots of the voltage error of the tap above group `item`."""

    item: int
    t_s: Floats
    error_v: Floats

    def shift(self, group: int, seconds: Floats) -> Floats | float:
        if group not in (self.item, self.item + 1):
            return 0.0
        index = np.clip(np.searchsorted(self.t_s, seconds, side="right") - 1, 0, None)
        return self.error_v[index] * (1.0 if group == self.item else -1.0)


def _loose_wire(trace: Trace, row: int, kind: str, rng: np.random.Generator) -> _Loose | None:
    size = trace.data["_loose_mv"][0, row] if "_loose_mv" in trace.data else np.zeros(1)
    if not size.any():
        return None
    item = int(np.argmax(np.abs(size))) + 1
    count = int(trace.t_s[-1] / 0.4) + 2
    t = np.concatenate([[0.0], np.cumsum(rng.exponential(0.6, count))])
    loud = rng.random(len(t)) < (0.4 if kind == "ride" else 0.05)
    error = np.where(loud, rng.uniform(0.4, 1.3, len(t)), 0.05) * float(size[item - 1]) / 1000.0
    return _Loose(item, t, error)
