"""Synthetic signals with known answers: closed forms, no simulator."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from herdbook.pipeline.vehicle.signals import Key, Series, Signals

T0 = 1_772_000_000_000_000  # microseconds UTC
Build = Callable[..., Signals]


@pytest.fixture
def build() -> Build:
    """build(seconds=60.0, pack_current=(10.0, values or function of seconds), ...): rate in Hz, then values.

    A role of a side or number is written with a double underscore: motor_current__left, cell_temp__1.
    """

    def make(seconds: float, **roles: tuple[float, object]) -> Signals:
        data: dict[Key, Series] = {}
        for name, (rate, values) in roles.items():
            s = np.arange(int(seconds * rate)) / rate
            v: Any = values(s) if callable(values) else values
            role, _, item = name.partition("__")
            key: Key = (role, int(item) if item.isdigit() else item)
            data[key] = Series(T0 + np.round(s * 1e6).astype(np.int64), np.broadcast_to(v, s.shape).astype(float))
        return Signals("EX-1", T0, T0 + int(seconds * 1e6), data)

    return make
