"""Readings of a live bus as rows for a person: value, unit, limit, age and a small trend; many cells as lowest and
highest."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from herdbook.pipeline.bench.live.limits import Limit
    from herdbook.pipeline.bench.live.newest import Reading
    from herdbook.pipeline.vehicle.profile import Profile

BLOCKS, PLAIN = "▁▂▃▄▅▆▇█", "_.-=+*#@"
FEW = 2  # items that have a row each; of more, the lowest and the highest
OLD_S = 2.0  # as long as the lake holds a value
DIGITS = {"A": 1, "degC": 1, "%": 1, "rpm": 0, "m/s": 2, "km": 1, "s": 0, "ms": 0, "1": 0}


@dataclass(frozen=True, slots=True)
class Row:
    """mark: "!" while the value is beyond its limit, "*" where it has been since the start. age: seconds, None before
    the first value."""

    what: str
    value: str
    unit: str
    limit: str
    age: float | None
    trend: Sequence[float]
    mark: str


def rows_of(readings: Sequence[Reading], profile: Profile, now_us: int) -> list[Row]:
    """Rows in the order of the profile's roles; roles that have not come yet stand last, one row a role."""
    by_role: dict[str, list[Reading]] = {}
    for one in readings:
        by_role.setdefault(one.role, []).append(one)
    come, missing = [], []
    for role, some in by_role.items():
        heard = [r for r in some if r.t]
        if heard:
            come += _rows_of_role(role, heard, profile, now_us)
        else:
            missing.append(_row(_words(role), some[0], "–", now_us))
    return come + missing


def _rows_of_role(role: str, some: list[Reading], profile: Profile, now_us: int) -> list[Row]:
    from herdbook.pipeline.vehicle.roles import ROLES

    about = ROLES[role]
    if len(some) <= FEW or about.unit in ("state", "bits"):
        return [_row(_words(role, r.item), r, shown(r, profile), now_us) for r in some]
    if about.unit == "1":
        on = [r.item for r in some if r.value == 1.0]
        named = f"{len(on)} of {len(some)}: {', '.join(map(str, on[:3]))}{' …' * (len(on) > 3)}" if on else "none"
        newest = max(some, key=lambda r: r.t)
        return [_row(f"{_words(role)}, on", newest, named, now_us, trend=())]
    known = [r for r in some if not math.isnan(r.value)] or some
    low, high = min(known, key=lambda r: r.value), max(known, key=lambda r: r.value)
    marks = {r.beyond > 0 for r in some}
    out = []
    for word, one, pick in (("lowest", low, min), ("highest", high, max)):
        across = [r.trend for r in known if r.trend]
        steps = min(map(len, across), default=0)
        trend = [pick(v) for v in zip(*(list(t)[-steps:] for t in across), strict=True)] if steps else []
        made = _row(f"{_words(role)}, {word} ({one.item})", one, shown(one, profile), now_us, trend=trend)
        out.append(made if made.mark or True not in marks else replace(made, mark="*"))
    return out


def _row(what: str, r: Reading, value: str, now_us: int, trend: Sequence[float] | None = None) -> Row:
    from herdbook.pipeline.reports.words.numbers import unit
    from herdbook.pipeline.vehicle.roles import ROLES

    out = r.limit is not None and not math.isnan(r.value) and not r.limit.holds(r.value)
    numeric = ROLES[r.role].unit not in ("state", "bits")
    return Row(
        what=what,
        value=value,
        unit=unit(ROLES[r.role].unit) if numeric else "",
        limit=limit_words(r.limit) if numeric else "",
        age=max(0.0, (now_us - r.t) / 1e6) if r.t else None,
        trend=(list(r.trend) if trend is None else trend) if numeric else (),
        mark="!" if out else "*" if r.beyond else "",
    )


def shown(r: Reading, profile: Profile, value: float | None = None) -> str:
    """The value in words: a state's name, the bits of a fault word, else a number with digits by its unit."""
    from herdbook.pipeline.vehicle.roles import ROLES

    about, v = ROLES[r.role], r.value if value is None else value
    if math.isnan(v):
        return "no value"
    if about.unit == "state":
        return about.states[int(v)].replace("_", " ")
    if about.unit == "bits":
        bits = [profile.fault_name(r.role, str(r.item), b) for b in range(33) if int(v) >> b & 1]
        return "none" if not bits else ", ".join(bits[:2]) + (f" and {len(bits) - 2} more" if len(bits) > 2 else "")
    if about.unit == "V":
        return f"{v:.3f}" if about.high <= 5 else f"{v:.2f}"
    return f"{v:.{DIGITS.get(about.unit, 2)}f}"


def limit_words(limit: Limit | None) -> str:
    if limit is None:
        return ""
    low, high = f"{limit.low:.4g}", f"{limit.high:.4g}"
    if math.isinf(limit.low):
        return f"to {high}"
    return f"from {low}" if math.isinf(limit.high) else f"{low} to {high}"


def age_words(age: float | None) -> str:
    if age is None:
        return "never"
    if age < 10:
        return f"{age:.1f} s"
    for size, word in ((60.0, "min"), (3600.0, "h"), (86400.0, "d")):
        if age < 100 * size or word == "d":
            return f"{age:.0f} s" if age < 100 else f"{age / size:.0f} {word}"
    return ""


def sparks(trend: Sequence[float], width: int, ascii_only: bool) -> str:
    """One character a step, newest last; a blank where nothing came. A trend that stands still is drawn low."""
    marks = PLAIN if ascii_only else BLOCKS
    some = list(trend)[-width:]
    known = [v for v in some if not math.isnan(v)]
    if not known:
        return ""
    low, high = min(known), max(known)
    size = (high - low) or 1.0
    return "".join(" " if math.isnan(v) else marks[min(7, int((v - low) / size * 8))] for v in some).rjust(width)


def _words(role: str, item: object = "") -> str:
    from herdbook.pipeline.reports.words.names import role_words

    return f"{role_words(role)} {item}".strip() if item not in ("", "only") else role_words(role)


def beyond_words(r: Reading, profile: Profile) -> str:
    """What lay beyond its limit, the furthest of it."""
    from herdbook.pipeline.reports.words.numbers import unit
    from herdbook.pipeline.vehicle.roles import ROLES

    name, worst = _words(r.role, r.item), shown(r, profile, r.worst)
    if ROLES[r.role].unit == "bits":
        return f"{name}: {worst}"
    return f"{name} beyond its limit ({limit_words(r.limit)}): {worst} {unit(ROLES[r.role].unit)}"
