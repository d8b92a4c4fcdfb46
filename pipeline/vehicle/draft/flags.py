"""Fault words for a draft: single bits that are faults of one unit, found by message; each named by its own name."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from herdbook.pipeline.vehicle.draft.concepts import concepts

if TYPE_CHECKING:
    from herdbook.decoders import Message, Signal

MOST_FLAGS = 32  # of a fault word
FEWEST = 2
OWN = {"bms_fault": {"pack", "bms", "cell"}, "controller_fault": {"controller", "stage"}, "motor_fault": {"motor"}}
NAMED, PARTLY = 0.85, 0.6  # message and unit named; one of both said by some of the bits alone


@dataclass(frozen=True, slots=True)
class Flags:
    """Bits of one fault role, in the order of the message. sure: 0 to 1."""

    role: str
    message: str
    signals: tuple[str, ...]
    sure: float


def fault_flags(messages: Sequence[Message], wanted: Collection[str]) -> list[Flags]:
    """At most one a wanted role: the message with most bits. A message serves one role."""
    offers = [
        offer for m in messages for role, own in OWN.items() if role in wanted and (offer := _offer(role, own, m))
    ]
    found: dict[str, Flags] = {}
    for offer in sorted(offers, key=lambda f: (-f.sure, -len(f.signals), f.role, f.message)):
        if offer.role not in found and offer.message not in {f.message for f in found.values()}:
            found[offer.role] = offer
    return [found[role] for role in OWN if role in found]


def _offer(role: str, own: set[str], message: Message) -> Flags | None:
    bits = [s for s in message.signals if _is_flag(s)]
    around = concepts(message.name)
    if "fault" not in around:
        bits = [s for s in bits if "fault" in concepts(s.name)]
    whose = bool(own & around) or all(own & concepts(s.name) for s in bits)
    others = set().union(*(o for r, o in OWN.items() if r != role)) - own
    if not FEWEST <= len(bits) <= MOST_FLAGS or not whose:
        return None
    sure = NAMED if own & around and "fault" in around and not others & around else PARTLY
    return Flags(role, message.name, tuple(s.name for s in bits), sure)


def _is_flag(signal: Signal) -> bool:
    """A bit that stands in every frame, and is none of a counter, a checksum or a state of its own."""
    plain = signal.length == 1 and signal.scale == 1 and not signal.unit.strip() and not signal.selector
    return plain and signal.parent is None and not {"reserve", "count", "bleed"} & concepts(signal.name)
