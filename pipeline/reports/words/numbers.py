"""How numbers, times and severities are put into words. Plain text out; escaping is the templates' work."""

from __future__ import annotations

import math
import re
from datetime import UTC, date, datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from herdbook.pipeline.health.sentences import SIGNS, places_of, to_error
from herdbook.pipeline.health.voice import VOICES

KM_PER_MILE = 1.609344  # exact by definition of the international mile

_UNITS = SIGNS | dict.fromkeys(("1", "ratio", "count", "bits", "state"), "")  # a bare number needs no unit

SEVERITY_WORD: dict[str, str] = {severity: voice.label for severity, voice in VOICES.items()}
CHANGE_WORD = {"new": "New", "worse": "Worse", "better": "Better", "gone": "Gone"}


def unit(text: str) -> str:
    """The unit as printed: degC becomes °C; a bare ratio prints nothing."""
    return _UNITS.get(text, text)


def number(value: float | None, digits: int = 3) -> str:
    """At least `digits` significant figures, never scientific between 0.001 and 10 million, thin groups of three."""
    if value is None or not math.isfinite(value):
        return "not known"
    if value == 0:
        return "0"
    size = math.floor(math.log10(abs(value)))
    if size < -4:
        return f"{value:.{digits - 1}e}"
    return f"{value:,.{max(0, digits - 1 - size)}f}".replace(",", "\u202f")


def amount(value: float | None, unit_name: str, se: float | None = None) -> str:
    """A measured value with unit and one standard error, rounded to two figures of the error."""
    if value is None or not math.isfinite(value):
        return "not known"
    name = unit(unit_name)
    if not name and float(value).is_integer() and not se:
        return count(int(value))
    space = "" if name in ("", "%") else "\u00a0"
    if not se or not math.isfinite(se) or se <= 0:
        return f"{number(value)}{space}{name}"
    if places_of(se) > 6:
        return f"{number(value)}{space}{name}"
    return f"{' ± '.join(_grouped(text) for text in to_error(value, se, figures=2))}{space}{name}"


def _grouped(text: str) -> str:
    """Digits before the point in groups of three."""
    whole, point, rest = text.partition(".")
    return re.sub(r"(?<=\d)(?=(?:\d{3})+$)", "\u202f", whole) + point + rest


def with_minus(text: str) -> str:
    """Hyphens that stand for a minus as minus signs: -3.2 as −3.2."""
    return _MINUS.sub("\u2212", text)


def duration(seconds: float) -> str:
    """240 -> '4 min', 93784 -> '1 d 2 h'. Two units at most."""
    if seconds < 1:
        return f"{seconds * 1000:.0f} ms"
    if seconds < 60:
        return f"{seconds:.3g} s"
    steps = (("d", 86400), ("h", 3600), ("min", 60), ("s", 1))
    left = round(seconds)
    parts: list[str] = []
    for name, size in steps:
        if left >= size and len(parts) < 2:
            parts.append(f"{left // size} {name}")
            left %= size
        elif parts:
            break
    return " ".join(parts)


def size(count: int) -> str:
    """Bytes as printed, powers of ten."""
    for name, step in (("GB", 1e9), ("MB", 1e6), ("kB", 1e3)):
        if count >= step:
            return f"{count / step:.3g} {name}"
    return f"{count} bytes"


def zone_of(name: str | None) -> ZoneInfo | None:
    """The zone, or None when the name is empty or not known to this machine (the page then says UTC)."""
    try:
        return ZoneInfo(name) if name else None
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return None


def moment(t: datetime | None, zone: ZoneInfo | None, seconds: bool = True) -> str:
    """2026-03-04 08:15:02 in the zone; the page states the zone once."""
    if t is None:
        return "not known"
    aware = t.replace(tzinfo=UTC) if t.tzinfo is None else t
    local = aware.astimezone(zone or UTC)
    return local.strftime("%Y-%m-%d %H:%M:%S" if seconds else "%Y-%m-%d %H:%M")


def day(t: datetime | date | None, zone: ZoneInfo | None = None) -> str:
    """The calendar day in the zone, as 2026-03-04."""
    if isinstance(t, datetime):
        return moment(t, zone)[:10]
    return "not known" if t is None else t.isoformat()


def span(start: datetime, end: datetime, zone: ZoneInfo | None) -> str:
    """From one moment to another, the day printed once when it is the same."""
    a, b = moment(start, zone), moment(end, zone)
    return f"{a} to {b[11:]}" if a[:10] == b[:10] else f"{a} to {b}"


def plural(count: int, one: str, many: str = "") -> str:
    return f"{count:,}".replace(",", "\u202f") + " " + (one if count == 1 else many or one + "s")


def listing(words: list[str]) -> str:
    """a, b and c."""
    return words[0] if len(words) == 1 else ", ".join(words[:-1]) + " and " + words[-1] if words else ""


def count(n: int) -> str:
    """1234567 in groups of three."""
    return f"{n:,}".replace(",", "\u202f")


_MINUS = re.compile(r"(?<![\w.)\]])-(?=[\d.])")
# control characters but newline and tab, and characters that have no width or turn the direction of writing
_UNSEEN = re.compile("[\\x00-\\x08\\x0b-\\x1f\\x7f-\\x9f\\u200b-\\u200f\\u202a-\\u202e\\u2060-\\u2069\\ufeff]")


def visible(text: str) -> str:
    """A text from outside with everything unseen made visible, so that it reads as what it is."""
    return _UNSEEN.sub(lambda found: f"\\u{ord(found[0]):04x}", text)
