"""Vehicles that were judged by a profile or by rules that are others by now, and those to be judged again tonight."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from herdbook.pipeline.assess.versions import rule_set_version
from herdbook.pipeline.intake.ledger import touch
from herdbook.pipeline.intake.take_log import part_path
from herdbook.pipeline.own.files import own_files
from herdbook.pipeline.store.connection import transaction, visit
from herdbook.pipeline.store.statements import Row, ask
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.profile import Profile
from herdbook.pipeline.vehicle.profile_means import judges_by


@dataclass(frozen=True, slots=True)
class Again:
    """What is to be done again tonight. vehicles: to be judged; logs: of theirs, to be decoded by other DBC files;
    notes: what the night tells of it, one sentence each."""

    vehicles: tuple[str, ...] = ()
    logs: tuple[Path, ...] = ()
    notes: tuple[str, ...] = ()


def due_again(store: Store, refused: Collection[str] = ()) -> Again:
    """Within [judge] again_vehicles a night: vehicles with stop-use findings first, then by newest record.

    A vehicle that is to be judged anyway, because of new logs, does not count. refused: profiles by which nothing is
    judged now. Raises: ProfileError.
    """
    profiles = {p.name: p for p in store.profiles() if p.name not in refused}
    with visit(store.catalogue, read_only=True) as con:
        rows = [row for row in ask(con, __name__, "judged") if row["profile"] in profiles]
        met = {row["profile"] for row in ask(con, __name__, "profiles_met")}
    means = {name: judges_by(profiles[name]) for name in {row["profile"] for row in rows}}
    by_profile = [r for r in rows if _other_profile(r, profiles[r["profile"]].hash, means[r["profile"]])]
    other = {row["vehicle"] for row in by_profile}
    today = rule_set_version(own_files(store).judging)
    by_rules = [row for row in rows if row["vehicle"] not in other and row["rule_set"] != today]
    waiting = [row["vehicle"] for row in [*by_profile, *by_rules] if not row["touched"]]
    chosen = tuple(waiting[: store.settings.again_vehicles])
    left = set(waiting[len(chosen) :])
    logs, gone = _logs_to_decode(store, chosen, profiles) if chosen and other else ((), 0)
    fresh = [profiles[name] for name in sorted(met | {row["profile"] for row in by_profile}) if name in profiles]
    unusual = [f"profile {p.name}, {str(doubt).rstrip('.')}" for p in fresh for doubt in p.doubts]
    return Again(chosen, logs, (*_notes(by_profile, by_rules, left, gone), *unusual))


def mark_again(store: Store, again: Again, scan: str) -> None:
    """Mark the vehicles for assessment and write down what the night tells; whole or not at all."""
    if not again.vehicles and not again.notes:
        return  # no visit to the catalogue for nothing
    with transaction(store.catalogue) as con:
        touch(con, again.vehicles)
        for note in again.notes:
            con.execute("INSERT INTO night_notes VALUES (?, ?)", [scan, note])


def _other_profile(row: Row, text: str, means: str) -> bool:
    """text, means: hashes of the profile as it is. A record from before this was kept knows the text alone."""
    if row["profile_means"] is None:
        return bool(row["profile_hash"] != text)
    return bool(row["profile_means"] != means)


def _notes(by_profile: Sequence[Row], by_rules: Sequence[Row], left: set[str], gone: int) -> list[str]:
    notes = []
    for profile, count in sorted(Counter(row["profile"] for row in by_profile).items()):
        mine = [row["vehicle"] for row in by_profile if row["profile"] == profile]
        notes.append(f"profile {profile} changed: {_vehicles(count)} judged by the old one; {_now(mine, left)}")
    if by_rules:
        mine = [row["vehicle"] for row in by_rules]
        notes.append(f"the rules changed: {_vehicles(len(mine))} judged by older ones; {_now(mine, left)}")
    if gone == 1:
        notes.append("1 log is no longer where it was and keeps what older DBC files made of it")
    elif gone:
        notes.append(f"{gone:,} logs are no longer where they were and keep what older DBC files made of them")
    return notes


def _now(mine: Sequence[str], left: set[str]) -> str:
    later = sum(vehicle in left for vehicle in mine)
    if not later:
        return "judged again now"
    wait = "waits" if later == 1 else "wait"
    return f"{len(mine) - later:,} judged again now, {later:,} {wait} for the next nights ([judge] again_vehicles)"


def _vehicles(count: int) -> str:
    return "1 vehicle was" if count == 1 else f"{count:,} vehicles were"


def _logs_to_decode(
    store: Store, vehicles: Sequence[str], profiles: Mapping[str, Profile]
) -> tuple[tuple[Path, ...], int]:
    """Logs of the vehicles whose part other DBC files made, where they can be read; and how many cannot."""
    with visit(store.catalogue, read_only=True) as con:
        rows = ask(con, __name__, "logs_decoded", vehicles=list(vehicles))
    other = [
        Path(row["path"])
        for row in rows
        if row["profile"] in profiles and part_path(profiles[row["profile"]], row["log"], row["shift"]) != row["part"]
    ]
    there = tuple(path for path in other if path.exists())
    return there, len(other) - len(there)
