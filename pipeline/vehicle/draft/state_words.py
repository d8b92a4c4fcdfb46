"""Words of a DBC file's value tables as states of a role, and those that mean "no value"."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from herdbook.pipeline.vehicle.roles import Role

if TYPE_CHECKING:
    from herdbook.decoders import Signal

_MEANS = {
    "open": "open opened off disconnected",
    "precharge": "precharge precharging pre",
    "closed": "closed close on connected main",
    "fault": "fault error failure failed err fail welded",
    "sleep": "sleep sleeping off hibernate",
    "idle": "idle ready standby wait waiting inactive none init normal",
    "drive": "drive driving discharge discharging run running ride",
    "charge": "charge charging chg",
    "balance": "balance balancing bal equalize",
    "active": "active on braking regen running",
    "limited": "limited limit derated limiting",
    "refused": "refused denied blocked inhibited unavailable",
    "absent": "absent unplugged disconnected notconnected none off nocharger",
    "ready": "ready idle standby connected plugged",
    "constant_current": "cc constantcurrent bulk",
    "constant_voltage": "cv constantvoltage absorption topping",
    "done": "done full complete completed finished",
}
_NO_VALUE = re.compile(r"\b(sna|n/?a|not?[ _]?available|invalid|no[ _]?value|unavailable|undefined)\b", re.IGNORECASE)


def states_of(role: Role, signal: Signal) -> dict[int, str]:
    """State by raw number, for the words that mean one of the role's states and only one."""
    found: dict[int, str] = {}
    for raw, said in signal.states.items():
        word = re.sub(r"[^a-z]", "", said.lower())
        pieces = [re.sub(r"[^a-z]", "", p) for p in re.split(r"[\s_-]+", said.lower())]
        exact = [s for s in role.states if word in (s.replace("_", ""), *_MEANS[s].split())]
        near = [s for s in role.states if any(p in _MEANS[s].split() for p in pieces if len(p) > 2)]
        meant = exact[:1] or (near if len(near) == 1 else [])
        if meant:
            found[raw] = meant[0]
    return found


def no_values(signal: Signal) -> list[float]:
    """Values in the DBC's unit whose word means that there is none."""
    raws = [raw for raw, word in signal.states.items() if _NO_VALUE.search(word.replace("_", " "))]
    return [raw * signal.scale + signal.offset for raw in raws]
