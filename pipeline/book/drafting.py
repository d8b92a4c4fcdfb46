"""An entry as somebody writes it, in a sheet or on the command line: words to a Draft, or what is wrong with them."""

from __future__ import annotations

from collections.abc import Callable
from zoneinfo import ZoneInfo

from herdbook.pipeline.book.entry import TYPED, Draft, Kind, moment
from herdbook.pipeline.vehicle.problems import nearest

TEXTS = ("part", "serial", "batch", "supplier", "rule", "item", "outcome", "said")
COLUMNS = ("vehicle", "kind", "when", "by", *TEXTS, "corrects")
NEEDED = ("vehicle", "kind", "when")
LOWER = ("kind", "part", "outcome")  # are words of the trade, whatever a sheet writes large
BEHIND = ""  # stands for the cells behind the last column that has a name


def draft_of(
    place: str, row: dict[str, str], zone_of: Callable[[str], ZoneInfo], *, by: str = "", source: str = TYPED
) -> Draft:
    """An entry from what somebody wrote.

    zone_of: of a vehicle's name, in which its days are. by: where the row names nobody. source: TYPED, or file and row.
    Raises: ValueError."""
    if BEHIND in row:
        raise ValueError(
            f"{row[BEHIND]!r} stands behind the last column; a value that holds the separator needs quotes"
        )
    row = {key: value.strip() for key, value in row.items()}
    row = {key: value.lower() if key in LOWER else value for key, value in row.items()}
    if missing := [key for key in NEEDED if not row.get(key)]:
        raise ValueError(f"{' and '.join(missing)} {'is' if len(missing) == 1 else 'are'} empty")
    word = row["kind"]
    if word not in list(Kind) or word == Kind.STRUCK:
        raise ValueError(f"{word!r} is no kind of entry. {nearest(word, [k for k in Kind if k is not Kind.STRUCK])}")
    if odd := [key for key, value in row.items() if not all(c.isprintable() or c in "\n\t" for c in value)]:
        raise ValueError(f"{odd[0]} holds characters that cannot be printed")
    zone = zone_of(row["vehicle"])
    start, end = moment(row["when"], zone)
    corrects = row.get("corrects", "")
    if corrects and not corrects.isdecimal():
        raise ValueError(f"corrects = {corrects!r} is no number of an entry")
    return Draft(
        place=place,
        vehicle=row["vehicle"],
        kind=Kind(word),
        from_t=start,
        to_t=end,
        zone=zone.key,
        by=row.get("by") or by,
        source=source,
        corrects=int(corrects) if corrects else None,
        **{key: " ".join(row.get(key, "").split()) if key != "said" else row.get(key, "") for key in TEXTS},
    )
