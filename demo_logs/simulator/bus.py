"""The buses of a profile as the simulator needs them: which message carries which role, and how often."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import cantools

from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.role_table import Mapping


@dataclass(frozen=True, slots=True)
class Field:
    """One signal of a message that plays a role: physical value = raw * step + base; low, high: raw range.

    page: multiplexer value that brings this signal; None outside multiplexed messages.
    """

    mapping: Mapping
    signal: str
    step: float
    base: float
    low: int
    high: int
    page: int | None


@dataclass(frozen=True, slots=True)
class Message:
    """One message; pages: multiplexer values in the order they are sent."""

    name: str
    channel: str
    sender: str
    cycle_ms: float
    fields: tuple[Field, ...]
    pages: tuple[int, ...]
    multiplexer: str
    fd: bool
    others: tuple[str, ...]  # signals that play no role


@lru_cache(maxsize=16)
def _database(dbc: Path) -> Any:
    return cantools.database.load_file(str(dbc))


def messages(profile: Profile) -> list[Message]:
    """All messages of the profile's buses, in the order of the DBC files."""
    by_signal = {(m.message, m.signal): m for m in profile.roles}
    return [
        _message(m, channel.split("|")[0] or "can0", by_signal)
        for channel, dbc in profile.buses
        for m in _database(dbc).messages
    ]


def _message(message: Any, channel: str, by_signal: dict[tuple[str, str], Mapping]) -> Message:
    fields, others, selector = [], [], ""
    for signal in message.signals:
        if signal.is_multiplexer:
            selector = signal.name
        mapping = by_signal.get((message.name, signal.name))
        if mapping is None:
            others.append(signal.name)
            continue
        page = signal.multiplexer_ids[0] if signal.multiplexer_ids else None
        low = -(1 << (signal.length - 1)) if signal.is_signed else 0
        high = (1 << (signal.length - bool(signal.is_signed))) - 1
        fields.append(Field(mapping, signal.name, float(signal.scale), float(signal.offset), low, high, page))
    pages = tuple(sorted({f.page for f in fields if f.page is not None}))
    sender = message.senders[0] if message.senders else ""
    cycle = float(message.cycle_time or 1000)
    return Message(
        message.name,
        channel,
        sender,
        cycle,
        tuple(fields),
        pages,
        selector,
        bool(message.is_fd),
        tuple(others),
    )
