"""A maker's own open-circuit curve: a CSV in the profile's folder, `soc_pct,v` or `soc_pct,v,sd_v`, rising.

soc_pct,v,sd_v
0,2.51,0.02
...
100,3.42,0.01
"""

from __future__ import annotations

import csv
import math
from itertools import pairwise
from pathlib import Path

COLUMNS = ("soc_pct", "v", "sd_v")
BOUNDS = {"soc_pct": (0.0, 100.0), "v": (0.5, 5.0), "sd_v": (0.0001, 1.0)}
FEWEST = 3


def read_ocv(path: Path) -> dict[str, list[float]]:
    """Columns by name: charge [%], voltage of one group [V] and, where given, its standard error [V].

    Raises: ValueError saying file, line and what is wrong.
    """
    try:
        rows = list(csv.reader(path.read_text("utf-8-sig").splitlines()))
    except OSError as error:
        raise ValueError(f"{path.name} cannot be read ({error.strerror})") from None
    except UnicodeDecodeError:
        raise ValueError(f"{path.name} is not text in UTF-8") from None
    names = tuple(name.strip() for name in rows[0]) if rows else ()
    if names not in (COLUMNS, COLUMNS[:2]):
        raise ValueError(
            f"{path.name}, line 1: the columns are {', '.join(names)!r}, not 'soc_pct, v' or 'soc_pct, v, sd_v'"
        )
    out: dict[str, list[float]] = {name: [] for name in names}
    for number, row in enumerate(rows[1:], start=2):
        if not row:
            continue
        for name, said in zip(names, row, strict=False):
            out[name].append(_value(said, name, f"{path.name}, line {number}"))
        if len(row) != len(names):
            raise ValueError(f"{path.name}, line {number}: {len(row)} values, expected {len(names)}")
    if len(out["v"]) < FEWEST:
        raise ValueError(f"{path.name} has {len(out['v'])} points, at least {FEWEST} are needed")
    for name in COLUMNS[:2]:
        for k, (before, after) in enumerate(pairwise(out[name]), start=3):
            if after <= before:
                raise ValueError(f"{path.name}, line {k}: {name} = {after:g} does not rise above {before:g}")
    return out


def _value(said: str, name: str, where: str) -> float:
    low, high = BOUNDS[name]
    try:
        value = float(said)
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise ValueError(f"{where}: {name} = {said.strip()!r} is no number from {low:g} to {high:g}")
    return value
