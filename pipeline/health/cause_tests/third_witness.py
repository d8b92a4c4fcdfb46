"""Three voltages where two disagree: the pack's sensor, the sum of its groups, and the controller's link."""

from __future__ import annotations

import numpy as np

from herdbook.pipeline.health.cause import CauseTest, Episode, Evidence
from herdbook.pipeline.health.cause_tests.two_signals import FRESH_S
from herdbook.pipeline.health.cause_tests.votes import FEW, Hit, vote
from herdbook.pipeline.health.sentences import spell

ROLES_READ = ("pack_voltage", "dc_link_voltage", "cell_voltage", "pack_current", "contactor_state")
LITTLE_C = 0.05  # current as a share of rated charge an hour, under which no joint's drop matters: engineering choice
NEARER = 0.35  # of the gap; between that and its complement the witness does not side: engineering choice


def link_sides_with(groups: bool) -> CauseTest:
    """At little current the controller's link agrees with the sum of the groups (so that the pack's sensor is off), or
    with the pack's sensor (so that the monitor of the groups is)."""

    def look(episode: Episode, evidence: Evidence) -> Hit | bool | None:
        signals = episode.signals
        items = signals.items("cell_voltage")
        if not items or not signals.has("pack_voltage", "dc_link_voltage"):
            return None
        t = signals.series("pack_voltage").t
        t = t[(t >= episode.start) & (t <= episode.end)]
        rated = evidence.record.profile.pack_figures.rated_ah if evidence.record is not None else 0.0
        pack = signals.at(t, "pack_voltage", "", FRESH_S)
        total = np.sum([signals.at(t, "cell_voltage", i) for i in items], axis=0)
        links = np.array([signals.at(t, "dc_link_voltage", i) for i in signals.items("dc_link_voltage")])
        link = np.full(t.size, np.nan)
        heard = np.isfinite(links).any(axis=0)
        link[heard] = np.nanmedian(links[:, heard], axis=0)
        amps = signals.at(t, "pack_current")
        good = np.isfinite(pack + total + link) & (np.abs(np.nan_to_num(amps, nan=1e9)) < max(LITTLE_C * rated, 0.5))
        if good.sum() < FEW:
            return None
        p, s, w = (float(np.median(x[good])) for x in (pack, total, link))
        if abs(p - s) < 1e-9 or abs(w - s) > 2 * abs(p - s):
            return None  # the link is off the bus, or its switch is open
        share = (w - s) / (p - s)  # 0: with the groups, 1: with the pack's sensor
        sides = share <= NEARER if groups else share >= 1 - NEARER
        words = (
            f"at rest the link reads {spell(w, 'V')}, the groups sum to {spell(s, 'V')}, the pack reads {spell(p, 'V')}"
        )
        return Hit(int(t[good][0]), words, "dc_link_voltage") if sides else False

    quiet = (
        "the link's voltage does not side with the groups"
        if groups
        else "the link's voltage does not side with the pack"
    )
    return CauseTest(ROLES_READ, lambda e: vote(e, look, ("dc_link_voltage",), quiet, rules_out=False))
