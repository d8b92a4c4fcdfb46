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


def places_of(se: float, figures: int = 2) -> int:
    """Decimal places that show so many figures of a standard error; below zero for tens and hundreds.

    Source: JCGM 100, 7.2.6: an uncertainty to two digits at most, and the value to its last place.
    """
    return figures - 1 - math.floor(math.log10(float(f"{se:.1e}")))


def to_error(value: float, se: float, sign: str = "", figures: int = 0) -> tuple[str, str]:
    """A value and its standard error, both to the same place. figures: of the error; 0 as in a sentence, one, and two
    where it begins with 1. sign: "+" shows it always. Without an error: three figures, and 0."""
    if not (math.isfinite(se) and se > 0):
        return f"{value:{sign}.3g}", "0"
    places = places_of(se, figures or (2 if f"{se:.1e}".startswith("1") else 1))
    shown = round(value, places) + 0.0  # no -0.0
    return f"{shown:{sign}.{max(0, places)}f}", f"{round(se, places):.{max(0, places)}f}"


def spell(value: float, unit: str, se: float | None = None) -> str:
    """A number for a sentence: with `±` its standard error when that is known, both to the same place; else three
    significant digits, and next to nothing is 0."""
    if se and math.isfinite(se):
        text = " ± ".join(to_error(value, se))
    else:
        value = 0.0 if abs(value) < 5e-4 else value
        text = f"{value:.3g}" if abs(value) < 1000 else f"{value:.0f}"
    return f"{text} {SIGNS.get(unit, unit)}".strip()


def counted(n: int, word: str) -> str:
    """`1 ride`, `3 rides`."""
    return f"{n} {word}" if n == 1 else f"{n} {word}s"


def of_side(side: str, word: str) -> str:
    """`left motor`; `motor` where the vehicle has one alone."""
    return f"{side} {word}".strip()
