"""The bus of a design: which messages carry which roles, how often, in what counts, under what names; its DBC file."""

from __future__ import annotations

from dataclasses import dataclass, field

import cantools
import numpy as np
from cantools.database.can import Message as DbcMessage
from cantools.database.can import Node
from cantools.database.can import Signal as DbcSignal
from cantools.database.conversion import BaseConversion

from demo_logs.makers.design import Design
from demo_logs.makers.names import Manner, draw_manner
from herdbook.pipeline.vehicle.roles import ROLES

BITS = 64


@dataclass(frozen=True, slots=True)
class Carried:
    """One signal: physical value in `unit` = counts * step + base. scale: from `unit` on the bus to the role where
    units alone do not tell (a current positive on charge). gone: counts that mean no value. states: count by name."""

    role: str
    item: int | str
    name: str
    unit: str
    step: float
    base: float
    bits: int
    signed: bool
    scale: float = 1.0
    gone: int | None = None
    states: tuple[tuple[str, int], ...] = ()
    page: int | None = None


@dataclass(frozen=True, slots=True)
class Sent:
    """One message. alive: "drive" while riding, "pack" always, "charger" while charging. counter: name of its alive
    counter or ""."""

    name: str
    can_id: int
    extended: bool
    period_ms: int
    alive: str
    carried: tuple[Carried, ...]
    big_endian: bool
    counter: str = ""
    selector: str = ""


@dataclass(frozen=True, slots=True)
class Bus:
    """charge_burst_s, rest_burst_s: the bus sleeps between bursts then. spaced: pages of cells come one by one, each
    sampled when it is sent; else all groups are sampled together."""

    messages: tuple[Sent, ...]
    charge_burst_s: float
    rest_burst_s: float
    switch_at_rest: str  # "open" or "closed"
    left_out: frozenset[str] = field(default_factory=frozenset)

    def periods_ms(self) -> dict[str, float]:
        """By role; a signal on one of several pages comes so many times less often."""
        out: dict[str, float] = {}
        for m in self.messages:
            pages = len({c.page for c in m.carried})
            for c in m.carried:
                out[c.role] = float(m.period_ms * pages)
        return out


@dataclass(slots=True)
class _Draft:
    topic: str
    alive: str
    period_ms: int
    fields: list[Carried]
    number: int = 0


STATES = {
    "contactor_state": ("open", "precharge", "closed", "fault"),
    "bms_state": ("sleep", "idle", "drive", "charge", "balance", "fault"),
    "regen_state": ("idle", "active", "limited", "refused", "fault"),
    "charger_state": ("absent", "ready", "constant_current", "constant_voltage", "done", "fault"),
}
LEFT_OUT = {  # share of makers whose bus does not carry a role (engineering choice)
    "bms_temp": 0.3,
    "ambient_temp": 0.4,
    "cell_bleed": 0.4,
    "link_quality": 0.4,
    "packet_age": 0.3,
    "regen_allowed": 0.35,
    "regen_demand": 0.25,
    "regen_current": 0.15,
    "regen_state": 0.4,
    "derate": 0.4,
    "fet_temp": 0.25,
    "motor_temp": 0.2,
    "dc_link_voltage": 0.25,
    "charger_voltage": 0.4,
    "charger_current": 0.4,
    "charger_state": 0.4,
    "controller_uptime": 0.3,
    "discharge_limit": 0.3,
    "charge_limit": 0.2,
    "contactor_state": 0.3,
    "bms_fault": 0.2,
    "controller_fault": 0.3,
    "motor_fault": 0.4,
    "odometer": 0.3,
    "trigger": 0.15,
    "pack_firmware": 0.5,
    "controller_firmware": 0.5,
}


def draw_bus(design: Design) -> Bus:
    """The same bus for the same design."""
    rng = np.random.default_rng([design.seed, design.index, 5])
    manner = draw_manner(rng)
    left_out = frozenset(role for role, share in LEFT_OUT.items() if rng.random() < share)
    drafts = _drafts(rng, design, _Shapes(rng, design, manner), left_out)
    big = bool(rng.random() < 0.4)
    extended = bool(rng.random() < 0.35)
    counters = bool(rng.random() < 0.5)
    messages: list[Sent] = []
    used = int(rng.integers(0x080, 0x180))
    for draft in drafts:
        parts = _split(draft.fields, BITS - 4 * counters)
        for number, part in enumerate(parts, start=1):
            used += int(rng.integers(1, 12))
            can_id = 0x18000000 | (used << 8) | int(rng.integers(256)) if extended else used
            name = manner.message(draft.topic, draft.number or (number if len(parts) > 1 else 0))
            name = name if name not in {m.name for m in messages} else f"{name}x{len(messages)}"
            paged = any(c.page is not None for c in part)
            counter = manner.name(f"alive {len(messages)}") if counters and draft.period_ms <= 200 and not paged else ""
            selector = manner.name(f"page {len(messages)}") if paged else ""
            messages.append(
                Sent(name, can_id, extended, draft.period_ms, draft.alive, tuple(part), big, counter, selector)
            )
    return Bus(
        tuple(messages),
        charge_burst_s=float(rng.choice([2.0, 5.0, 10.0])),
        rest_burst_s=float(rng.choice([20.0, 60.0, 180.0])),
        switch_at_rest=str(rng.choice(["open", "open", "closed"])),
        left_out=left_out,
    )


class _Shapes:
    """How this maker writes numbers: unit, step and width of every role."""

    def __init__(self, rng: np.random.Generator, design: Design, manner: Manner) -> None:
        s = design.sensors
        self.manner = manner
        temp_unit, base = (("degC", -40.0), ("degC", -40.0), ("K", 233.15))[int(rng.integers(3))]
        milli = rng.random() < 0.5
        charge_positive = rng.random() < 0.35
        speed = str(rng.choice(["km/h", "m/s"]))
        self.flip = charge_positive
        self.of: dict[str, tuple[str, float, float, int, bool]] = {
            "cell_voltage": ("mV", 1000 * s.cell_step_v, 0.0, 13, False)
            if milli
            else ("V", s.cell_step_v, 0.0, 13, False),
            "pack_voltage": ("V", s.volt_step, 0.0, 14, False),
            "pack_current": ("A", s.amp_step, 0.0, 14 if s.amp_step > 0.05 else 15, True),
            "pack_soc": ("%", float(rng.choice([0.1, 0.5, 1.0])), 0.0, 10, False),
            "charge_limit": ("A", float(rng.choice([0.1, 1.0])), 0.0, 12, False),
            "cell_temp": (temp_unit, s.temp_step, base, 10, False),
            "motor_speed": ("rpm", 1.0, 0.0, 16, True),
            "motor_current": ("A", float(rng.choice([0.1, 0.25, 0.5])), 0.0, 14, True),
            "dc_link_voltage": ("V", float(rng.choice([0.05, 0.1, 0.5])), 0.0, 12, False),
            "motor_temp": (temp_unit, float(rng.choice([0.25, 1.0])), base, 11, False),
            "brake_demand": ("%", float(rng.choice([0.1, 0.5, 1.0])), 0.0, 10, False),
            "regen_current": ("A", float(rng.choice([0.1, 0.2, 0.5])), 0.0, 12, False),
            "vehicle_speed": (speed, float(rng.choice([0.01, 0.05, 0.1])), 0.0, 14, True),
            "odometer": ("km", float(rng.choice([0.01, 0.1])), 0.0, 24, False),
            "controller_uptime": ("s", float(rng.choice([0.1, 1.0])), 0.0, 32, False),
            "packet_age": ("ms", float(rng.choice([1.0, 5.0])), 0.0, 12, False),
            "link_quality": ("%", 0.5, 0.0, 8, False),
            "charger_voltage": ("V", 0.1, 0.0, 12, False),
            "charger_current": ("A", float(rng.choice([0.05, 0.1])), 0.0, 12, False),
        }
        like = {
            "bms_temp": "cell_temp",
            "ambient_temp": "cell_temp",
            "fet_temp": "motor_temp",
            "throttle": "brake_demand",
            "derate": "brake_demand",
            "discharge_limit": "charge_limit",
            "regen_demand": "regen_current",
            "regen_allowed": "regen_current",
        }
        self.of |= {role: self.of[other] for role, other in like.items()}
        self.temp_gone = bool(rng.random() < 0.7)
        self.state_start = int(rng.integers(0, 3))

    def make(self, role: str, item: int | str = "", page: int | None = None) -> Carried:
        name = self.manner.signal(role, item)
        if role in STATES:
            states = tuple((s, k + self.state_start) for k, s in enumerate(STATES[role]))
            return Carried(role, item, name, "", 1.0, 0.0, 4, False, states=states, page=page)
        if role in ("trigger", "cell_bleed"):
            return Carried(role, item, name, "", 1.0, 0.0, 1, False, page=page)
        if role in ("bms_fault", "motor_fault", "controller_fault"):
            return Carried(role, item, name, "", 1.0, 0.0, 8, False, page=page)
        if ROLES[role].unit == "id":
            bits = 16 if role.endswith("firmware") else 32
            return Carried(role, item, name, "", 1.0, 0.0, bits, False, page=page)
        unit, step, base, bits, signed = self.of[role]
        scale = -1.0 if role == "pack_current" and self.flip else 1.0
        gone = (1 << bits) - 1 if "temp" in role and self.temp_gone else None
        return Carried(role, item, name, unit, step, base, bits, signed, scale, gone, page=page)


def _drafts(rng: np.random.Generator, design: Design, shapes: _Shapes, left_out: frozenset[str]) -> list[_Draft]:
    sides: tuple[int | str, ...] = ("left", "right")[: design.drive.motors]
    fast = int(rng.choice([20, 20, 40, 50, 100, 200, 500], p=[0.2, 0.2, 0.15, 0.15, 0.15, 0.1, 0.05]))
    middle = int(rng.choice([50, 100, 200, 500]))
    slow = int(rng.choice([500, 1000, 2000]))
    middle = max(fast, middle)

    def some(roles: list[str], items: tuple[int | str, ...] = ("",)) -> list[Carried]:
        return [shapes.make(role, item) for item in items for role in roles if role not in left_out]

    drafts = [
        _Draft("battery", "pack", middle, some(["pack_voltage", "pack_current", "pack_soc"])),
        _Draft(
            "limits",
            "pack",
            min(1000, middle * 2),
            some(["charge_limit", "discharge_limit", "contactor_state", "bms_state", "bms_fault"]),
        ),
        *_cell_drafts(rng, design, shapes),
        _Draft(
            "thermal",
            "pack",
            slow,
            [shapes.make("cell_temp", k + 1) for k in range(design.pack.sensors)] + some(["bms_temp", "ambient_temp"]),
        ),
        _Draft("motor", "drive", fast, some(["motor_speed", "motor_current", "dc_link_voltage", "motor_fault"], sides)),
        _Draft("status", "drive", max(100, middle), some(["controller_uptime", "derate", "controller_fault"])),
        _Draft("motor", "drive", slow, some(["motor_temp", "fet_temp"], sides)),
        _Draft("command", "drive", fast, some(["throttle", "brake_demand", "trigger", "link_quality", "packet_age"])),
        _Draft("brake", "drive", fast, some(["regen_demand", "regen_current", "regen_allowed", "regen_state"])),
        _Draft("motion", "drive", max(fast, int(rng.choice([50, 100, 200]))), some(["vehicle_speed", "odometer"])),
        _Draft("charger", "charger", middle, some(["charger_voltage", "charger_current", "charger_state"])),
        _Draft("identity", "pack", 5000, some(["pack_serial", "pack_firmware"])),
        _Draft("identity", "drive", 5000, some(["vehicle_serial", "controller_serial", "controller_firmware"])),
    ]
    if "cell_bleed" not in left_out:
        bits = [shapes.make("cell_bleed", k + 1) for k in range(design.pack.groups)]
        drafts.append(_Draft("balance", "pack", slow, bits))
    kept = [d for d in drafts if d.fields]
    return [kept[int(i)] for i in rng.permutation(len(kept))]


def _cell_drafts(rng: np.random.Generator, design: Design, shapes: _Shapes) -> list[_Draft]:
    """Group voltages round robin (one a frame), on pages of some, or one message a group."""
    groups = design.pack.groups
    way = str(rng.choice(["round robin", "pages", "pages", "messages"]))
    if way == "messages":
        period = int(rng.choice([100, 200, 500, 1000]))
        return [_Draft("cells", "pack", period, [c], k + 1) for k, c in enumerate(_cells(shapes, groups, None))]
    width = 1 if way == "round robin" else int(rng.choice([2, 3, 4]))
    pages = -(-groups // width)
    whole = float(rng.choice([200.0, 500.0, 1000.0, 2000.0]))  # all pages within this time
    return [_Draft("cells", "pack", max(20, round(whole / pages / 10.0) * 10), _cells(shapes, groups, width))]


def _cells(shapes: _Shapes, groups: int, width: int | None) -> list[Carried]:
    return [shapes.make("cell_voltage", k + 1, None if width is None else k // width) for k in range(groups)]


def _split(fields: list[Carried], room: int) -> list[list[Carried]]:
    """Fields into messages of 64 bits (60 beside a counter); pages share their room."""
    if fields and fields[0].page is not None:
        return [fields]
    out: list[list[Carried]] = [[]]
    for one in fields:
        if sum(c.bits for c in out[-1]) + one.bits > room:
            out.append([])
        out[-1].append(one)
    return out


def dbc_text(design: Design, bus: Bus) -> str:
    """The maker's DBC file."""
    messages = [_dbc_message(m) for m in bus.messages]
    nodes = [Node(name) for name in ("PACK", "DRIVE", "CHARGER")]
    return cantools.database.can.Database(messages=messages, nodes=nodes, version=design.name).as_dbc_string()


def _dbc_message(m: Sent) -> DbcMessage:
    at, signals = 0, []
    if m.selector:
        signals.append(_dbc_signal(m.selector, 0, 6, m.big_endian, selector=True))
        at = 6
    if m.counter:
        signals.append(_dbc_signal(m.counter, 0, 4, m.big_endian))
        at = 4
    place: dict[int | None, int] = {}
    for c in m.carried:
        start = place.get(c.page, at)
        place[c.page] = start + c.bits
        signals.append(
            _dbc_signal(
                c.name,
                start,
                c.bits,
                m.big_endian,
                c.signed,
                c.step,
                c.base,
                c.unit,
                page=c.page,
                selector_name=m.selector,
            )
        )
    length = -(-max(place.values()) // 8)
    return DbcMessage(
        frame_id=m.can_id,
        name=m.name,
        length=length,
        signals=signals,
        senders=[m.alive.upper()],
        cycle_time=m.period_ms,
        is_extended_frame=m.extended,
    )


def _dbc_field(m: Sent, c: Carried, place: int) -> DbcSignal:
    return _dbc_signal(
        c.name,
        place,
        c.bits,
        m.big_endian,
        signed=c.signed,
        step=c.step,
        base=c.base,
        unit=c.unit,
        page=c.page,
        selector_name=m.selector,
    )


def _dbc_signal(
    name: str,
    place: int,
    bits: int,
    big: bool,
    signed: bool = False,
    step: float = 1.0,
    base: float = 0.0,
    unit: str = "",
    selector: bool = False,
    page: int | None = None,
    selector_name: str = "",
) -> DbcSignal:
    """place: bits from the front of the frame. Motorola counts from the top of each byte, Intel from its bottom."""
    start = place // 8 * 8 + 7 - place % 8 if big else place
    return DbcSignal(
        name,
        start,
        bits,
        "big_endian" if big else "little_endian",
        signed,
        conversion=BaseConversion.factory(scale=step, offset=base),
        unit=unit or None,
        is_multiplexer=selector,
        multiplexer_ids=None if page is None else [page],
        multiplexer_signal=None if page is None else selector_name,
    )
