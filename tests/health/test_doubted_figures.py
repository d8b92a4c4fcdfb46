"""Which roles a set reads is written down for marking figures in doubt: sets are watched at work and held to it."""

from __future__ import annotations

from pathlib import Path

import pytest

from demo_logs.records import SETTINGS
from herdbook.pipeline.assess.sessions import Stretch, sessions
from herdbook.pipeline.health.doubted_figures import ALSO, doubted_figures
from herdbook.pipeline.lake.role_views import view_of_log
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.vehicle.profile import load_profile
from herdbook.pipeline.vehicle.roles import ROLES
from herdbook.pipeline.vehicle.signals import Series, Signals

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize("log", ["ZB-0101_2026-03-23_ride.blf", "ZB-0101_2026-03-02_dock.blf"])
def test_a_set_reads_no_more_than_is_written_down(log: str, monkeypatch: pytest.MonkeyPatch) -> None:
    profile = load_profile(ROOT / "dbc_demo" / "zirbel.toml")
    whole = view_of_log(ROOT / "demo_logs" / "fleet" / log, profile, log[:7]).signals
    found = sessions(
        vehicle=log[:7],
        stretch=Stretch(whole.start, whole.end),
        signals=whole,
        spans=[(whole.start, whole.end)],
        bench=False,
        stop_s=SETTINGS.stop_s,
        span_gap_us=int(SETTINGS.span_gap_s * 1e6),
    )
    seen: set[str] = set()
    plain = Signals.series

    def watched(self: Signals, name: str, item: int | str = "") -> Series:
        seen.add(name)
        return plain(self, name, item)

    monkeypatch.setattr(Signals, "series", watched)
    for one in found:
        part = whole.between(one.session.start, one.session.end)
        for own in all_sets().values():
            if one.session.kind not in own.kinds or not part.has(*own.needs):
                continue
            seen.clear()
            own.compute(one.session, part, profile)
            known = {role for entry in own.needs for role in entry.split("|")} | {*ALSO.get(own.id, "").split()}
            assert seen - known == set(), own.id


def test_what_is_written_down_are_sets_and_roles() -> None:
    assert set(ALSO) <= set(all_sets())
    assert {role for text in ALSO.values() for role in text.split()} <= set(ROLES)


def test_a_figure_in_doubt_says_why() -> None:
    told = doubted_figures({"pack_voltage": "it is in mV"})
    assert told["consumption_wh_km"] == "it is in mV"
    assert "belt_slip_pct" not in told
    assert doubted_figures({}) == {}


def test_of_several_packs_the_figures_of_the_one_in_doubt_and_of_all_together() -> None:
    of_second = doubted_figures({"pack_2_pack_current": "its sign is wrong"}, packs=(1, 2))
    assert {"pack_2_cell_r_ratio", "consumption_wh_km"} <= set(of_second)
    assert not {"cell_r_ratio", "pack_2_consumption_wh_km"} & set(of_second)
    of_first = doubted_figures({"pack_current": "its sign is wrong"}, packs=(1, 2))
    assert "cell_r_ratio" in of_first
    assert "pack_2_cell_r_ratio" not in of_first
