"""Numbers and counts inside a finding's sentence."""

from __future__ import annotations

import math

SIGNS = {  # units as people write them, of those that we write otherwise
    "degC": "°C",
    "degC/min": "°C/min",
    "ohm": "Ω",
    "mOhm": "mΩ",
    "mohm": "mΩ",
    "kOhm": "kΩ",
    "MOhm": "MΩ",
    "m/s2": "m/s²",
    "uA": "µA",
    "K/kA2": "K/kA²",
}


def spell(value: float, unit: str, se: float | None = None) -> str:
    """A number for a sentence: three significant digits, `±` its standard error when known; next to nothing is 0."""
    value = 0.0 if abs(value) < 5e-4 else value
    text = f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
    if se and math.isfinite(se):
        text += f" ± {se:.2g}"
    return f"{text} {SIGNS.get(unit, unit)}".strip()


def counted(n: int, word: str) -> str:
    """`1 ride`, `3 rides`."""
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def of_side(side: str, word: str) -> str:
    """`left motor`; `motor` where the vehicle has one alone."""
    return f"{side} {word}".strip()
