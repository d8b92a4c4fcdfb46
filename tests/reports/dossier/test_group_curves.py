"""The leaf of groups at rest and in slow charge: drawn where recorded, said where not, the odd group named."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from herdbook.pipeline.reports.dossier.leaves import group_curves
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Drawn, Leaf, Note
from herdbook.pipeline.reports.page.still.picture import still
from herdbook.pipeline.vehicle.profile import load_profile
from herdbook.pipeline.vehicle.signals import Series, Signals

BOARD = load_profile(Path(__file__).parents[3] / "dbc_demo" / "zirbel.toml")
DAY = datetime(2026, 3, 1, 8, tzinfo=UTC)
S = 1_000_000
HOURS = 6.0


def session(kind: str, start: datetime, hours: float) -> dict[str, Any]:
    return {"kind": kind, "start_t": start, "end_t": start + timedelta(hours=hours), "coverage": 1.0}


def made_up(start: int, end: int, amps: float) -> Signals:
    """Six groups; the fourth settles twice as far, and takes its charge 20 mV higher."""
    t = np.arange(start, end, 2 * S)
    lasted = (t - start) / S
    data: dict[tuple[str, int | str], Series] = {("pack_current", ""): Series(t, np.full(t.size, -amps))}
    for k in range(1, 7):
        odd = k == 4
        rest = 3.35 + 0.02 * (1 + odd) * np.exp(-lasted / 400)
        share = np.clip(lasted / (HOURS * 3600), 1e-3, 1 - 1e-3)
        slow = 3.3 + 0.02 * odd + 0.03 * np.arctanh(1.98 * share - 0.99)
        data["cell_voltage", k] = Series(t, slow if amps else rest)
    return Signals("V", start, end, data)


def leaf(monkeypatch: pytest.MonkeyPatch, sessions: list[dict[str, Any]], amps: float) -> Leaf:
    def load(store: object, vehicle: str, start: int, end: int, roles: object, pack: int = 0) -> Signals:
        is_rest = any(s["kind"] == "rest" and round(s["start_t"].timestamp() * S) == start for s in sessions)
        return made_up(start, end, 0.0 if is_rest else amps)

    monkeypatch.setattr(group_curves, "load", load)
    monkeypatch.setattr(group_curves, "profile_of", lambda store, name, pack=0: BOARD)
    given: dict[str, Any] = dict.fromkeys(Facts.__dataclass_fields__)
    facts = replace(Facts(**given), vehicle="V", about={"profile": "zirbel"}, sessions=sessions)
    return group_curves.leaf(None, None, facts)  # type: ignore[arg-type]


def test_the_odd_group_is_the_line_and_the_others_the_band(monkeypatch: pytest.MonkeyPatch) -> None:
    slow = [session("charge", DAY, HOURS), session("rest", DAY + timedelta(hours=HOURS, seconds=60), 1.0)]
    settled, curve = leaf(monkeypatch, slow, amps=5.0).blocks
    for block in (settled, curve):
        assert isinstance(block, Drawn)
        assert "Group 4 stands furthest" in block.figure.note
        assert [t["name"] for t in block.figure.spec["data"]][-1] == "group 4"
        assert 'fill="var(--shade)"' in still(block.figure.spec, block.figure.height)
    high = max(v for v in settled.figure.spec["data"][-1]["y"] if v is not None)  # type: ignore[union-attr]
    assert high == pytest.approx(1000 * 0.04 * np.exp(-20 / 400), rel=0.03)
    odd = curve.figure.spec["data"][-1]  # type: ignore[union-attr]
    peak = odd["x"][int(np.nanargmax(np.array(odd["y"], float)))]
    assert peak == pytest.approx(3.32, abs=0.01)


def test_what_is_not_recorded_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    fast = [session("charge", DAY, 1.5), session("rest", DAY + timedelta(hours=1.51), 0.1)]
    settled, curve = leaf(monkeypatch, fast, amps=20.0).blocks
    assert isinstance(settled, Note)
    assert "no rest of 15 minutes right after a charge" in settled.text
    assert isinstance(curve, Note)
    assert "no charge under a quarter of rated current" in curve.text
