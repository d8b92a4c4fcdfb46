"""Figure specifications: valid for plotly's own validators, inert, in the right place in time; limits drawn rightly."""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import plotly.graph_objects as go
import pytest

from herdbook.pipeline.reports import write_dossier
from herdbook.pipeline.reports.dossier.evidence import gauge
from herdbook.pipeline.reports.drawing.panels import Panel, stack
from herdbook.pipeline.reports.page.figure import local_ms
from herdbook.pipeline.reports.words.numbers import zone_of
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.signals import Series, Signals
from tests.reports.made_up import HOSTILE, T0, signals_of, us
from tests.reports.specs import specs


def plain(value: Any) -> Any:
    """Colour names of the style sheet become a colour; typed arrays become short lists."""
    if isinstance(value, str) and value.startswith("@"):
        return "#123456"
    if isinstance(value, dict):
        return [1, 2] if "bdata" in value else {k: plain(v) for k, v in value.items()}
    return [plain(v) for v in value] if isinstance(value, list) else value


@pytest.mark.parametrize("vehicle", ["VX-014", HOSTILE])
def test_plotly_itself_accepts_every_figure(store: Store, out: Path, vehicle: str) -> None:
    """go.Figure refuses a property or value that plotly.js does not know."""
    found = specs(write_dossier(store, vehicle, out))
    assert len(found) > 12
    for name, spec in found.items():
        go.Figure(plain(spec)), name


def test_every_leaf_is_there_and_every_figure_says_n_and_unit(store: Store, out: Path) -> None:
    text = write_dossier(store, "VX-014", out).read_text("utf-8")
    for leaf in ("verdict", "scores", "findings", "cells", "heat", "braking", "life", "peers", "coverage", "source"):
        assert f'<section id="{leaf}"' in text
    for caption in re.findall(r"<figcaption>(.*?)</figcaption>", text, re.DOTALL):
        assert re.search(r"n = |samples|\(diamond\)|intervals", caption), caption


def test_bars_begin_at_zero(store: Store, out: Path) -> None:
    for name, spec in specs(write_dossier(store, "VX-014", out)).items():
        if any(t["type"] == "bar" and t.get("orientation") != "h" for t in spec["data"]):
            assert spec["layout"]["yaxis"]["rangemode"] == "tozero", name


def test_colours_are_never_the_only_carrier(store: Store, out: Path) -> None:
    """Traces of one scatter figure that are told apart by a legend differ in symbol or dash as well."""
    for name, spec in specs(write_dossier(store, "VX-014", out)).items():
        told = [
            t for t in spec["data"] if t["type"] == "scatter" and t.get("showlegend", True) and t["mode"] == "markers"
        ]
        marks = [t["marker"]["symbol"] for t in told]
        assert len(set(marks)) == len(marks), name


def test_wall_clock_follows_summer_time_sample_by_sample() -> None:
    """2026-03-29 01:00 UTC: clocks in Vienna go from 02:00 to 03:00."""
    t = np.array(
        [us(T0.replace(month=3, day=29, hour=0, minute=59)), us(T0.replace(month=3, day=29, hour=1))], np.int64
    )
    a, b = local_ms(t, zone_of("Europe/Vienna"))
    assert (b - a) / 60_000 == 61
    assert np.diff(local_ms(t, None)) == 60_000


def test_half_a_million_samples_become_a_light_figure() -> None:
    t = np.arange(500_000, dtype=np.int64) * 10_000
    signals = Signals("x", 0, int(t[-1]) + 1, {("pack_current", ""): Series(t, np.sin(t / 1e7))})
    made = stack(signals, [Panel("pack_current")], None)
    spec, note = made.spec, made.note
    assert len(json.dumps(spec)) < 100_000
    assert "500\u202f000 samples" in note
    assert "no spike is lost" in note


def test_demand_allowance_and_delivery_share_an_axis() -> None:
    signals = signals_of("x", us(T0), us(T0) + 60_000_000)
    spec = stack(
        signals, [Panel(r) for r in ("regen_demand", "vehicle_speed", "regen_current", "regen_allowed")], None
    ).spec
    on = {t["name"]: t["yaxis"] for t in spec["data"]}
    assert on == {"Regen demand": "y", "Regen current": "y", "Regen allowed": "y", "Vehicle speed": "y2"}
    dashes = [t["line"].get("dash", "solid") for t in spec["data"] if t["yaxis"] == "y"]
    assert len(set(dashes)) == 3


def test_what_a_finding_is_about_lies_on_top_and_is_told_apart() -> None:
    signals = signals_of("x", us(T0), us(T0) + 60_000_000)
    spec = stack(signals, [Panel("cell_voltage", bold=frozenset({"6", "7"}))], None).spec
    assert [t["name"] for t in spec["data"][-2:]] == [f"Cell voltage no. {n} (this finding)" for n in (6, 7)]
    assert [t["name"] for t in spec["data"][:-2] if t["showlegend"]] == [f"the other {len(spec['data']) - 2}"]
    six, seven = (t["line"] for t in spec["data"][-2:])
    assert six["color"] != seven["color"]
    assert six.get("dash") != seven["dash"]
    assert {t["line"]["color"] for t in spec["data"][:-2]} == {"@faint"}
    assert not [t["name"] for t in spec["data"][:-2] if "hovertemplate" in t]  # it would list them at the pointer


def test_the_limit_is_drawn_only_on_its_own_quantity(store: Store, out: Path) -> None:
    """A limit of 5 A on a shortfall is no level of the current; 60 degC on a temperature is."""
    from herdbook.pipeline.reports.dossier.evidence import panel_of

    start = us(T0)
    signals = signals_of("x", start, start + 60_000_000)
    shortfall = {"item": "", "measured": 9.3, "limit": 5.0, "unit": "A", "se": None}
    assert panel_of("regen_demand", shortfall, signals).limit is None
    hottest = float(signals.series("cell_temp", 2).v.max())
    hot = {"item": "sensor 2", "measured": hottest, "limit": 25.0, "unit": "degC", "se": None}
    panel = panel_of("cell_temp", hot, signals)
    assert panel.limit == (25.0, "limit 25.0\u00a0°C")
    assert panel.bold == {"2"}


def test_gauge_places_zero_measured_and_limit_in_order() -> None:
    g = gauge({"measured": 14.0, "limit": 5.0, "unit": "A", "se": 0.4})
    assert g is not None
    assert 0 == g.zero < g.limit < g.low < g.measured < g.high < 100
    below = gauge({"measured": -5.0, "limit": 0.0, "unit": "degC", "se": None})
    assert below is not None
    assert 0 < below.measured < below.zero == below.limit
    assert gauge({"measured": float("nan"), "limit": 0.0, "unit": "V", "se": None}) is None
