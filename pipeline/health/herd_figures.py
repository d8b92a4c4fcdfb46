"""The figures by which a herd is followed and compared: what each says, which way is bad, and whose limit it has."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from herdbook.pipeline.errors import SettingsError


@dataclass(frozen=True, slots=True)
class Figure:
    """name: as it is asked for. metric: of a session. falls: low is bad. rule, limit: whose limit it has, or "" for a
    figure without one. sign: of that limit. of: parts whose exchange begins it anew. ages: followed over time."""

    name: str
    metric: str
    words: str
    unit: str
    falls: bool
    of: tuple[str, ...]
    rule: str = ""
    limit: str = ""
    sign: float = 1.0
    ages: bool = True


FIGURES = (
    Figure("capacity", "pack_soh_pct", "capacity, share of rated", "%", True, ("pack",), "pack_capacity_low", "act"),
    Figure("resistance", "group_dcr_10s_25c_mohm", "resistance of the median group at 25 °C", "mOhm", False, ("pack",)),
    Figure(
        name="leak",
        metric="cell_offset_top_pct",
        words="charge of a group off the median, near full",
        unit="%",
        falls=True,
        of=("pack",),
        rule="out_of_balance",
        limit="act",
        sign=-1.0,
    ),
    Figure("drag", "ride_rolling", "rolling drag over weight", "1", False, ("belt", "wheel", "motor", "tyre")),
    Figure("imbalance", "cell_r_ratio", "weakest group's resistance ratio", "1", False, ("pack",), ages=False),
    Figure("use", "consumption_wh_km", "energy a kilometre", "Wh/km", False, (), ages=False),
    Figure("heat", "cell_temp_max_c", "hottest cell reading", "degC", False, (), ages=False),
    Figure("winding", "motor_temp_max_c", "hottest winding reading", "degC", False, (), ages=False),
    Figure("regeneration", "regen_ratio", "regeneration delivered over asked", "1", True, (), ages=False),
)
BY_NAME = {f.name: f for f in FIGURES}


def figure(name: str, *, ageing: bool = False) -> Figure:
    """Raises: SettingsError for a figure that there is not, or that is not followed over time."""
    known = [f.name for f in FIGURES if f.ages or not ageing]
    if name not in known:
        raise SettingsError(f"there is no figure {name!r} to follow", do=f"Name one of {', '.join(known)}")
    return BY_NAME[name]


def limit_of(of: Figure, own: Mapping[str, float] | None = None) -> float | None:
    """The figure's limit. own: limits that a profile sets ("rule.limit": value)."""
    from herdbook.pipeline.health.rules import all_rules

    if not of.rule:
        return None
    usual = next(x.value for x in all_rules()[of.rule].limits if x.name == of.limit)
    return of.sign * (own or {}).get(f"{of.rule}.{of.limit}", usual)
