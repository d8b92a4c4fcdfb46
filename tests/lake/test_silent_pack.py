"""Packs side by side read as one: what one of them did not send is not taken for nothing."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from herdbook.pipeline.lake import packs
from herdbook.pipeline.vehicle.profile import Profile, load_profile
from herdbook.pipeline.vehicle.signals import Series, Signals
from tests.two_packs.vehicle import ROOT, load

T = np.arange(5, dtype=np.int64) * 1_000_000


def current(monkeypatch: pytest.MonkeyPatch, profiles: Sequence[Profile], used: str, sent: Sequence[int]) -> Any:
    """Of all packs, where a log by the profile `used` holds 10 A of each pack that sent."""

    def load_signals(*_: object, profiles: Iterable[Profile] = profiles) -> Signals:
        [by] = [p for p in profiles if p.name == used]
        mapped = any(m.role == "pack_current" for m in by.roles) and by.number in sent
        data: dict[tuple[str, int | str], Series] = {}
        if mapped:
            data["pack_current", ""] = Series(T, np.full(T.shape, 10.0))
        return Signals("V", 0, 5_000_000, data)

    def by_place(store: object, vehicle: str, start: int, end: int, roles: object, by: Any = profiles) -> Signals:
        return load_signals(profiles=by)

    monkeypatch.setattr(packs, "load_signals", by_place)
    monkeypatch.setattr(packs, "refs_of", lambda *_: [SimpleNamespace(profile=used)])
    store: Any = SimpleNamespace(profiles=lambda: list(profiles))
    return packs.load_packs(store, "V", 0, 5_000_000).series("pack_current").v


def test_the_current_of_all_packs_is_not_known_while_one_is_silent(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    profiles = [load_profile(ROOT / "dbc_demo" / "zirbel.toml"), load(tmp_path)]
    assert (current(monkeypatch, profiles, "twin", (1, 2)) == 20.0).all()
    assert np.isnan(current(monkeypatch, profiles, "twin", (1,))).all()
    assert (current(monkeypatch, profiles, "zirbel", (1,)) == 10.0).all(), "another type's second pack is none of it"
