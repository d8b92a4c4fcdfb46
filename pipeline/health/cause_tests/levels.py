"""A signal against a level in the windows of a finding."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.health.cause import CauseTest, Episode, Evidence
from herdbook.pipeline.health.cause_tests.votes import FEW, Hit, inside, vote
from herdbook.pipeline.health.sentences import spell
from herdbook.pipeline.vehicle.roles import ROLES


def under(role: str, level: float, what: str, rules_out: bool = True, late: bool = False) -> CauseTest:
    """The role falls to `level` or less in the window. what: in words, as in "the charge limit". late: in its second
    half, for what needs a moment to follow."""
    return _level(role, level, what, rules_out, low=True, late=late)


def over(role: str, level: float, what: str, rules_out: bool = True, late: bool = False) -> CauseTest:
    """The role reaches `level` or more in the window."""
    return _level(role, level, what, rules_out, low=False, late=late)


def _level(role: str, level: float, what: str, rules_out: bool, low: bool, late: bool) -> CauseTest:
    unit = ROLES[role].unit

    def look(episode: Episode, _: Evidence) -> Hit | bool | None:
        seen = False
        for item in episode.signals.items(role):
            t, v = inside(episode, role, item, late)
            good = np.flatnonzero(np.isfinite(v))
            if not good.size:
                continue
            seen = seen or good.size >= FEW
            at = good[int(np.argmin(v[good]) if low else np.argmax(v[good]))]
            if v[at] <= level if low else v[at] >= level:
                verb = "falls to" if low else "reaches"
                return Hit(int(t[at]), f"{what} {verb} {spell(float(v[at]), unit)}", role, str(item))
        return False if seen else None

    quiet = f"{what} stays {'above' if low else 'under'} {spell(level, unit)}"
    return CauseTest((role,), lambda e: vote(e, look, (role,), quiet, rules_out, "all"))
