"""Several packs side by side, judged: a rule of a pack once for each, by what was measured of it; the rest once, by all
of them as one. A finding, and a reason for none, names its pack.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import Any

import polars as pl

from herdbook.pipeline.health.rule import Finding, Record, Rule
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.vehicle.packs import all_of, item_of, marked, of_this_pack, same_type, unmarked
from herdbook.pipeline.vehicle.profile import Profile

ANY_PACK = ("contactor_opened_loaded",)  # events of one pack that the vehicle as a whole is judged by
LIMIT_FREE = ("string fit",)  # what rules share that no limit enters, and that takes seconds: made once
OWN = "own_"  # metrics of a store's own sets
NOT_OF_A_PACK = ("motor", "fet", "air")  # sensors of the vehicle, which temp_sensor_fault judges with the first pack's


@dataclass(frozen=True, slots=True)
class OfPack:
    """A record as a rule reads it. number: of the pack; 0 for the vehicle as a whole."""

    number: int
    record: Record


def readings(rule: Rule, record: Record) -> Sequence[OfPack]:
    """The records that a rule judges: one, or one for each pack."""
    if not record.profile.others:
        return (OfPack(0, record),)
    if rule.each_pack:
        found: tuple[OfPack, ...] = record.once("each pack", lambda: tuple(_each(record)))
        own = any(name.startswith(OWN) for name in rule.needs)  # a store's sets measure the first pack alone
        return found[:1] if own else found
    return (record.once("all packs", lambda: OfPack(0, _whole(record))),)


def of_pack(record: Record, pack: int) -> Record:
    """The record of one pack; of the vehicle as a whole for 0."""
    if not record.profile.others:
        return record
    if not pack:
        return _whole(record)
    return next((one.record for one in _each(record) if one.number == pack), record)


def named(number: int, finding: Finding) -> Finding:
    """The finding with its pack in item and statement; as it is where there is but one, or it is about no pack."""
    if not number or finding.item.split(" ")[0] in NOT_OF_A_PACK:
        return finding
    return replace(
        finding, item=item_of(number, finding.item), statement=f"Pack {number}: {_within(finding.statement)}"
    )


def reason_of(number: int, reason: str) -> str:
    return f"pack {number}: {reason}" if number else reason


def _within(sentence: str) -> str:
    """A sentence after a colon: its first word small, unless it is written in capitals or is a name."""
    first = sentence.split(" ")[0]
    return sentence if first[1:] != first[1:].lower() or len(first) < 2 else sentence[0].lower() + sentence[1:]


def _each(record: Record) -> list[OfPack]:
    first, *others = all_of(record.profile)
    marks = [(unmarked(name)[0], name) for name in record.metrics["name"].unique().to_list()]
    kinds = [(unmarked(kind)[0], kind) for kind in record.events["kind"].unique().to_list()]
    found = [OfPack(1, replace(record, doubts=of_this_pack(record.doubts, 1)))]
    for profile in others:
        n = profile.number
        shared = [name for pack, name in marks if pack == 1 and name not in pack_metrics()]
        own = [name for pack, name in marks if pack == n]
        rows = record.metrics.filter(pl.col("name").is_in([*shared, *own]))
        metrics = _plain(rows, "name", own).sort(["start_t", "name", "item"], maintain_order=True)
        events = record.events.filter(pl.col("kind").is_in([kind for pack, kind in kinds if pack == n]))
        events = _plain(events, "kind", [kind for pack, kind in kinds if pack == n])
        reference = record.reference if same_type(first, profile) else record.reference.clear()
        by = _with_limits(profile, record)
        one = replace(record, profile=by, metrics=metrics, events=events, reference=reference)
        found.append(OfPack(n, replace(one, doubts=of_this_pack(record.doubts, n))))
    for pack in found:
        before = record.once(("memo of pack", pack.number), dict[Hashable, Any])
        pack.record.memo.update({key: before[key] for key in LIMIT_FREE if key in before})
        record.memo["memo of pack", pack.number] = pack.record.memo
    return found


def _whole(record: Record) -> Record:
    """The vehicle with all its packs as one; a doubt of any of them is one of all."""
    doubts = {unmarked(role)[1]: why for role, why in record.doubts.items()}
    numbers = range(2, 2 + len(record.profile.others))
    theirs = [marked(n, kind) for n in numbers for kind in ANY_PACK]
    events = _plain(record.events, "kind", theirs) if theirs else record.events
    by = _with_limits(record.profile.whole or record.profile, record)
    return replace(record, profile=by, events=events, doubts=doubts)


def _with_limits(profile: Profile, record: Record) -> Profile:
    """By the limits of the record's own profile, which may have been moved to try them."""
    limits = record.profile.limits
    return profile if profile.limits is limits else replace(profile, limits=limits)


def _plain(rows: pl.DataFrame, column: str, names: Sequence[str]) -> pl.DataFrame:
    """The rows with the marks of these names taken off."""
    return rows.with_columns(pl.col(column).replace({name: unmarked(name)[1] for name in names})) if names else rows


@cache
def pack_metrics() -> frozenset[str]:
    """Names of metrics that are measured for each pack."""
    return frozenset(name for one in all_sets().values() if one.each_pack for name in one.gives)


def limit_free(record: Record) -> dict[Hashable, Any]:
    """What is known of a record whatever its limits: for the same record with others."""
    of_packs = {key for key in record.memo if isinstance(key, tuple) and key[0] == "memo of pack"}
    return {key: kept for key, kept in record.memo.items() if key in LIMIT_FREE or key in of_packs}
