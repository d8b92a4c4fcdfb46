"""A state as the bus reports it, read in the windows of a finding."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.health.cause import CauseTest, Episode, Evidence
from herdbook.pipeline.health.cause_tests.votes import FEW, Hit, inside, vote
from herdbook.pipeline.vehicle.roles import ROLES

NAMES = {"regen_state": "brake's state", "contactor_state": "contactor", "bms_state": "pack's state"}


def reads_in(role: str, *states: str, rules_out: bool = True, late: bool = False) -> CauseTest:
    """The state role reads one of these in the window. rules_out: a window that never does speaks against it. late: in
    its second half, for what has to last."""
    index = {float(ROLES[role].states.index(s)) for s in states}
    name = NAMES.get(role, role.replace("_", " "))

    def look(episode: Episode, _: Evidence) -> Hit | bool | None:
        t, v = inside(episode, role, late=late)
        at = np.flatnonzero(np.isin(v, list(index)))
        if not at.size:
            return False if t.size >= FEW else None
        word = ROLES[role].states[int(v[at[0]])]
        return Hit(int(t[at[0]]), f"the {name} reads “{word}”", role)

    quiet = f"the {name} never reads {' or '.join(f'“{s}”' for s in states)}"
    return CauseTest((role,), lambda e: vote(e, look, (role,), quiet, rules_out))
