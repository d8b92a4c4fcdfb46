"""Gaps in a log: did the vehicle run on meanwhile? Its controller's clock tells."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.health.cause import CauseTest, Episode, Evidence
from herdbook.pipeline.health.cause_tests.votes import Hit, vote

CLOCK_SHARE, CLOCK_S = 0.1, 2.0  # by which the clock may differ from the time gone: engineering choice


def ran_through_the_gap(awake: bool) -> CauseTest:
    """The controller's uptime counted on over the gap (awake: it did), or began anew."""

    def look(episode: Episode, _: Evidence) -> Hit | bool | None:
        s = episode.signals.series("controller_uptime")
        good = np.isfinite(s.v)
        t, v = s.t[good], s.v[good]
        if t.size < 2:
            return None
        k = int(np.argmax(np.diff(t)))
        gone, counted = float(t[k + 1] - t[k]) / 1e6, float(v[k + 1] - v[k])
        on = abs(counted - gone) <= CLOCK_SHARE * gone + CLOCK_S
        off = counted < 0
        words = (
            f"over {gone:.0f} s without frames the controller's uptime counted {counted:.0f} s on"
            if on
            else f"over {gone:.0f} s without frames the controller's uptime began anew"
        )
        return Hit(int(t[k + 1]), words, "controller_uptime") if (on if awake else off) else False

    quiet = "the controller's uptime did not count on" if awake else "the controller's uptime did not begin anew"
    return CauseTest(("controller_uptime",), lambda e: vote(e, look, ("controller_uptime",), quiet, rules_out=False))
