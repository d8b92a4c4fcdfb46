"""What is compared between vehicles of one profile: which figure, the limit that a rule holds it against, and how far a
vehicle stands from its peers."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.health.engine import limits_of
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.vehicle.profile import Profile

MAD = 1.4826  # of a normal law's spread; F. Hampel, J. Am. Stat. Assoc. 69 (1974) 383
LEAST_SHARE = 0.01  # of the median: peers that look more alike than this are so by luck (engineering choice)


@dataclass(frozen=True, slots=True)
class Compared:
    """A metric, by the median over a vehicle's newest sessions of the session's largest item. rule, limit: whose limit
    it is held against, where one is on this very quantity; own: the profile's figure that goes before it."""

    metric: str
    title: str
    unit: str
    rule: str = ""
    limit: str = ""
    own: str = ""


COMPARED = (
    Compared("cell_r_ratio", "Weakest group's resistance over the median group", "1", "weak_group", "act"),
    Compared("group_dcr_10s_25c_mohm", "Median group's resistance after 10 s at 25 °C", "mOhm"),
    Compared("pack_path_mohm", "Resistance outside the groups", "mOhm"),
    Compared("cell_temp_max_c", "Hottest cell reading", "degC", "hot_because_of_load", "stop", "pack.discharge_max_c"),
    Compared("pack_heat_ratio", "Pack warming, measured over explained", "1"),
    Compared("regen_ratio", "Regeneration delivered over demanded", "1"),
    Compared("brake_response_s", "Brake's delay from demand to delivery", "s", "regen_late", "delay"),
    Compared("motor_temp_max_c", "Hottest winding reading", "degC", "winding_hot", "highest", "drive.winding_max_c"),
    Compared("fet_temp_max_c", "Hottest power stage reading", "degC", "power_stage_hot", "highest", "drive.fet_max_c"),
    Compared("belt_slip_pct", "Belt's slip at full pull", "%", "belt_slip", "slip"),
    Compared("consumption_wh_km", "Energy per km", "Wh/km"),
)


def limit_of(one: Compared, profile: Profile | None) -> float | None:
    """The limit as it holds for this profile; None where the rule holds no limit against this very quantity."""
    if not one.rule or profile is None:
        return None
    if one.own:
        table, _, key = one.own.partition(".")
        figures = {"pack": profile.pack_figures, "drive": profile.drive_figures}[table]
        own = getattr(figures, key)
        if own is not None:
            return float(own)
    rule = all_rules()[one.rule]
    return limits_of(rule, profile.limits, profile.pack_figures.of_chemistry)[one.limit]


def surprise(own: float, peers: Sequence[float]) -> float:
    """How many robust spreads of its peers a vehicle stands from their median, with sign; the spread is at least
    LEAST_SHARE of the median."""
    values = np.asarray(peers, np.float64)
    middle = float(np.median(values))
    spread = MAD * float(np.median(np.abs(values - middle)))
    return (own - middle) / max(spread, LEAST_SHARE * abs(middle), 1e-12)
