"""Rows of the catalogue's log_buses: how full each wire was in one log, as far as its bit rate is known."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.statements import Row, ask
from herdbook.pipeline.times import naive_utc
from herdbook.pipeline.vehicle.profile import Profile

if TYPE_CHECKING:
    from herdbook.decoders.integrity.busload import Traffic


@dataclass(frozen=True, slots=True)
class BusLoad:
    """One channel of one log, in the columns of log_buses. Rates in bit/s; loads are shares of time, without stuff bits
    and with the most there can be, None where the bit rate is not known. peak_t: begin of the worst second."""

    channel: str
    bit_rate: int | None
    data_bit_rate: int | None
    frames: int
    mean_load: float | None
    mean_most: float | None
    peak_load: float | None
    peak_most: float | None
    peak_t: int


def bus_loads(profile: Profile, buses: Iterable[Traffic]) -> tuple[BusLoad, ...]:
    """One a channel. Not assessed where neither the profile nor one DBC file tells the bit rate."""
    from herdbook.decoders.integrity.busload import load_of

    found = []
    for traffic in buses:
        bit_rate, data_rate = rates_of(profile, traffic)
        load = load_of(traffic, bit_rate, data_rate) if bit_rate else None
        one = BusLoad(
            channel=traffic.channel,
            bit_rate=bit_rate,
            data_bit_rate=data_rate,
            frames=traffic.frames,
            mean_load=load.mean_low if load else None,
            mean_most=load.mean_high if load else None,
            peak_load=load.peak_low if load else None,
            peak_most=load.peak_high if load else None,
            peak_t=traffic.peak_t,
        )
        found.append(one)
    return tuple(found)


def buses_since(catalogue: Path, start: datetime) -> list[Row]:
    """Rows of log_buses, with name and vehicle, of the logs received since a time."""
    with transaction(catalogue) as con:
        return ask(con, __name__, "buses_since", start=naive_utc(start))


def rates_of(profile: Profile, traffic: Traffic) -> tuple[int | None, int | None]:
    """Bit rates of a channel, the profile's before those of its DBC files; none for a data phase of unknown rate."""
    nominal, data = profile.network().rates_of(traffic.channel)
    for (label, _), (own, own_data) in zip(profile.buses, profile.rates, strict=False):
        if not label or traffic.channel.lower() in label.lower().split("|"):
            nominal, data = own or nominal, own_data or data
    known = data or not any(traffic.bits[2:])
    return (nominal, data) if known else (None, None)
