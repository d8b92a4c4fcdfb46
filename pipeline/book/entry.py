"""One entry of the service book: its kinds, what each kind needs, and how a moment is written."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from datetime import time as day_time
from enum import StrEnum
from zoneinfo import ZoneInfo

from herdbook.pipeline.times import naive_utc

TYPED = "typed"  # source of an entry that came from no file
LONGEST = 2000  # characters of one field: a report belongs into a file of its own


class Kind(StrEnum):
    """What an entry tells of, in the order in which help lists them."""

    COMPLAINT = "complaint"
    ACKNOWLEDGED = "acknowledged"
    TO_INSPECTION = "to inspection"
    INSPECTION = "inspection"
    REPAIR = "repair"
    FITTED = "fitted"
    REMOVED = "removed"
    CAMPAIGN = "campaign"
    FIRMWARE = "firmware"
    SOLD = "sold"
    IN_SERVICE = "in service"
    RETURNED = "returned"
    SCRAPPED = "scrapped"
    NOTE = "note"
    STRUCK = "struck"


class Outcome(StrEnum):
    """Of an inspection of a finding."""

    CONFIRMED = "confirmed"
    REFUTED = "refuted"
    UNDECIDED = "undecided"


class Removed(StrEnum):
    """Of a part that was taken out: whether its life was over. A sound one may live on elsewhere."""

    FAILED = "failed"
    SOUND = "sound"


@dataclass(frozen=True, slots=True)
class Needs:
    """fields: that an entry of the kind must fill. may: that it may fill besides said, by and the moment."""

    fields: tuple[str, ...]
    may: tuple[str, ...] = ()


FINDING, PART = ("rule", "item"), ("part", "serial", "batch", "supplier")
NEEDS: dict[Kind, Needs] = {
    Kind.COMPLAINT: Needs(("said",), FINDING),
    Kind.ACKNOWLEDGED: Needs(("rule",), FINDING),
    Kind.TO_INSPECTION: Needs(("rule",), FINDING),
    Kind.INSPECTION: Needs(("said",), (*FINDING, "outcome")),
    Kind.REPAIR: Needs(("said",), (*FINDING, *PART)),
    Kind.FITTED: Needs(("part", "serial"), PART),
    Kind.REMOVED: Needs(("part",), (*PART, "outcome")),
    Kind.CAMPAIGN: Needs(("said",), PART),
    Kind.FIRMWARE: Needs(("part", "serial"), PART),
    Kind.SOLD: Needs(()),
    Kind.IN_SERVICE: Needs(()),
    Kind.RETURNED: Needs((), FINDING),
    Kind.SCRAPPED: Needs(()),
    Kind.NOTE: Needs(("said",), FINDING),
    Kind.STRUCK: Needs(("said",)),
}
WORDS = {
    "rule": "the rule of a finding",
    "said": "some words",
    "part": "a part",
    "serial": "its serial number or version",
}


@dataclass(frozen=True, slots=True)
class Draft:
    """An entry as somebody gives it, checked in itself, not yet against the book. place: where it stands ("row 4").

    from_t, to_t: naive UTC; a day of the vehicle's zone, or a minute. corrects: number of an entry, or None."""

    place: str
    vehicle: str
    kind: Kind
    from_t: datetime
    to_t: datetime
    zone: str
    by: str
    part: str = ""
    serial: str = ""
    batch: str = ""
    supplier: str = ""
    rule: str = ""
    item: str = ""
    outcome: str = ""
    said: str = ""
    source: str = TYPED
    corrects: int | None = None

    @property
    def same(self) -> tuple[object, ...]:
        """What makes two entries the same one."""
        return (
            *(self.vehicle, self.kind.value, self.from_t, self.to_t, self.part, self.serial, self.batch, self.supplier),
            *(self.rule, self.item, self.outcome, self.said, self.by, self.corrects),
        )


@dataclass(frozen=True, slots=True)
class Entry:
    """One row of the table service_book; times are naive UTC. holds: neither corrected nor struck since."""

    entry: int
    vehicle: str
    kind: str
    from_t: datetime
    to_t: datetime
    zone: str
    part: str
    serial: str
    batch: str
    supplier: str
    rule: str
    item: str
    outcome: str
    said: str
    made_by: str
    made_t: datetime
    source: str
    corrects: int | None
    holds: bool

    @property
    def same(self) -> tuple[object, ...]:
        """As Draft.same."""
        return (
            *(self.vehicle, self.kind, self.from_t, self.to_t, self.part, self.serial, self.batch, self.supplier),
            *(self.rule, self.item, self.outcome, self.said, self.made_by, self.corrects),
        )

    def about(self, title: str = "") -> str:
        """Part, finding and outcome in one piece. title: what the rule is called; else its own name."""
        part = " ".join(
            p for p in (self.part, self.serial, f"batch {self.batch}" if self.batch else "", self.supplier) if p
        )
        name = title or self.rule
        finding = f"{name} ({self.item})" if self.item else name
        instead = (
            f"in the place of no. {self.corrects}" if self.corrects is not None and self.kind != Kind.STRUCK else ""
        )
        return "; ".join(p for p in (part, finding, self.outcome, instead) if p)

    @property
    def day(self) -> str:
        """2026-03-04, in its zone."""
        return day_of(self.from_t, self.zone)

    @property
    def when(self) -> str:
        """The day, or the minute where that is known."""
        if self.to_t - self.from_t > timedelta(minutes=1):
            return self.day
        return f"{self.from_t.replace(tzinfo=UTC).astimezone(ZoneInfo(self.zone)):%Y-%m-%d %H:%M}"


def lacks(kind: Kind, given: dict[str, str]) -> str:
    """What is wrong with the fields of an entry of this kind; "" when nothing is. given: by name, filled ones."""
    needs = NEEDS[kind]
    missing = [WORDS[f] for f in needs.fields if not given.get(f)]
    if missing:
        return f"an entry “{kind}” needs {' and '.join(missing)}"
    may = {*needs.fields, *needs.may, "said"}
    odd = [name for name in ("part", "serial", "batch", "supplier", "rule", "item", "outcome") if given.get(name)]
    if wrong := [name for name in odd if name not in may]:
        return f"an entry “{kind}” has no {' and no '.join(wrong)}"
    if given.get("item") and not given.get("rule"):
        return f"the item {given['item']!r} stands without the rule of its finding"
    if kind is Kind.INSPECTION and bool(given.get("rule")) != bool(given.get("outcome")):
        there, lacking = ("rule", "outcome") if given.get("rule") else ("outcome", "rule")
        return f"an inspection with {_an(there)} needs {_an(lacking)} too"
    outcomes = [str(o) for o in (Removed if kind is Kind.REMOVED else Outcome)]
    if given.get("outcome") and given["outcome"] not in outcomes:
        return f"the outcome {given['outcome']!r} is none of {', '.join(outcomes)}"
    long = [name for name, value in given.items() if len(value) > LONGEST]
    return f"{long[0]} has more than {LONGEST} characters" if long else ""


def _an(word: str) -> str:
    return f"{'an' if word[0] in 'aeiou' else 'a'} {word}"


def day_of(t: datetime, zone: str) -> str:
    """The day of a moment (naive UTC) in a zone, 2026-03-04."""
    return f"{t.replace(tzinfo=UTC).astimezone(ZoneInfo(zone)):%Y-%m-%d}"


def moment(text: str, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """When something happened, as the earliest and latest moment it can be, naive UTC.

    text: 2026-03-04 (that day in the zone), 2026-03-04 14:30 (that minute), or with its own zone (2026-03-04T14:30Z).
    Raises: ValueError.
    """
    wanted = f"{text!r} is no day such as 2026-03-04 and no moment such as 2026-03-04 14:30"
    text = text.strip()
    try:
        if re.fullmatch(r"\d{4}-\d\d-\d\d", text):
            day = date.fromisoformat(text)
            start = datetime.combine(day, day_time(), zone)
            end = datetime.combine(day + timedelta(days=1), day_time(), zone)
            return naive_utc(start), naive_utc(end)
        if re.match(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d", text):
            t = datetime.fromisoformat(text)
            start = naive_utc(t if t.tzinfo else t.replace(tzinfo=zone)).replace(second=0, microsecond=0)
            return start, start + timedelta(minutes=1)
    except (ValueError, OverflowError):
        pass
    raise ValueError(wanted)
