"""Words of a DBC file's value tables as states of a role, and those that mean "no value"."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

from herdbook.pipeline.vehicle.roles import Role

if TYPE_CHECKING:
    from herdbook.decoders import Signal

_MEANS = {
    "open": "open opened opn off disconnected offen",
    "precharge": "precharge precharging pre vorladen",
    "closed": "closed close cls clsd on connected main geschlossen zu",
    "fault": "fault flt error failure failed err fail welded fehler stoerung",
    "sleep": "sleep sleeping slp off hibernate schlafen schlaf",
    "idle": "idle idl ready rdy off standby wait waiting inactive none init normal bereit aus",
    "drive": "drive driving drv fahren fahrt discharge discharging run running ride",
    "charge": "charge charging chg laden",
    "balance": "balance balancing bal equalize ausgleichen ausgleich",
    "active": "active on braking regen running aktiv ein",
    "limited": "limited limit lim derated limiting begrenzt",
    "refused": "refused denied rejected ref blocked inhibited unavailable abgelehnt gesperrt",
    "absent": "absent unplugged disconnected notconnected notpresent none off nocharger nichtda",
    "ready": "ready rdy idle standby connected plugged bereit",
    "constant_current": "cc constantcurrent constcurrent bulk konstantstrom",
    "constant_voltage": "cv constantvoltage constvoltage absorption topping konstantspannung",
    "done": "done full complete completed finished fertig voll",
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
