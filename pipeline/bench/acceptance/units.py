"""Units in which a plan may write limits, and how they become those of the figure that is held against them.

A unit of another kind is refused, never guessed: 1 is not %, and degC is no difference of temperatures, which is K.
"""

from __future__ import annotations

from herdbook.pipeline.vehicle.problems import nearest

# kind -> {unit: how many of the first one}
_KINDS: tuple[dict[str, float], ...] = (
    {"V": 1, "mV": 1e-3},
    {"A": 1, "mA": 1e-3},
    {"Ohm": 1, "mOhm": 1e-3, "uOhm": 1e-6, "kOhm": 1e3, "MOhm": 1e6},
    {"Ah": 1, "mAh": 1e-3},
    {"Wh": 1, "kWh": 1e3},
    {"W": 1, "kW": 1e3, "mW": 1e-3},
    {"s": 1, "ms": 1e-3, "min": 60, "h": 3600},
    {"m/s": 1, "km/h": 1 / 3.6},
    {"m": 1, "km": 1000, "mm": 1e-3},
    {"Nm": 1, "mNm": 1e-3},
    *(
        {name: 1.0}
        for name in ("N", "K", "degC", "%", "1", "rpm", "bits", "state", "Wh/km", "K/min", "mV/%", "ppm", "%/V")
    ),
)
KNOWN: dict[str, tuple[int, float]] = {u: (n, f) for n, kind in enumerate(_KINDS) for u, f in kind.items()}


def factor(given: str, wanted: str) -> float:
    """How many `wanted` one `given` is. Raises: ValueError saying what would do."""
    if given == wanted:
        return 1.0
    alike = [u for u in KNOWN if wanted in KNOWN and KNOWN[u][0] == KNOWN[wanted][0]] or [wanted]
    if given not in KNOWN:
        raise ValueError(nearest(given, alike))
    if given not in alike:
        raise ValueError(f"Write {' or '.join(alike)}")
    return KNOWN[given][1] / KNOWN[wanted][1]
