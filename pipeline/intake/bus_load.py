"""Rows of the catalogue's log_buses: how full each wire was in one log, as far as its bit rate is known."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.store.connection import query, transaction
from herdbook.pipeline.times import naive_utc
from herdbook.pipeline.vehicle.profile import Profile

if TYPE_CHECKING:
    from herdbook.decoders.integrity.busload import Traffic


def bus_rows(profile: Profile, buses: tuple[dict[str, Any], ...]) -> tuple[dict[str, Any], ...]:
    """One row a channel; buses: fields of herdbook.decoders.integrity.busload.Traffic. Loads are None (not assessed)
    where neither the profile nor one DBC file tells the bit rate."""
    from herdbook.decoders.integrity.busload import Traffic, load_of

    rows = []
    for one in buses:
        traffic = Traffic(**{**one, "bits": tuple(one["bits"]), "peak_bits": tuple(one["peak_bits"])})
        bit_rate, data_rate = rates_of(profile, traffic)
        load = load_of(traffic, bit_rate, data_rate) if bit_rate else None
        rows.append(
            {
                "channel": traffic.channel,
                "bit_rate": bit_rate,
                "data_bit_rate": data_rate,
                "frames": traffic.frames,
                "mean_load": load and load.mean_low,
                "mean_most": load and load.mean_high,
                "peak_load": load and load.peak_low,
                "peak_most": load and load.peak_high,
                "peak_t": traffic.peak_t,
            }
        )
    return tuple(rows)


def buses_since(catalogue: Path, start: datetime) -> list[dict[str, Any]]:
    """Rows of log_buses, with name and vehicle, of the logs received since a time."""
    with transaction(catalogue) as con:
        found = con.execute(query("buses_since"), {"start": naive_utc(start)})
        names = [d[0] for d in found.description or ()]
        return [dict(zip(names, row, strict=True)) for row in found.fetchall()]


def rates_of(profile: Profile, traffic: Traffic) -> tuple[int | None, int | None]:
    """Bit rates of a channel, the profile's before those of its DBC files; none for a data phase of unknown rate."""
    nominal, data = profile.network().rates_of(traffic.channel)
    for (label, _), (own, own_data) in zip(profile.buses, profile.rates, strict=False):
        if not label or traffic.channel.lower() in label.lower().split("|"):
            nominal, data = own or nominal, own_data or data
    known = data or not any(traffic.bits[2:])
    return (nominal, data) if known else (None, None)
