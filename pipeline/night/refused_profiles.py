"""Profiles that are refused stop no scan: it goes on with the sound ones, and says whose judgement is missing."""

from __future__ import annotations

from collections.abc import Mapping

from herdbook.pipeline.health.profile_limits import wrong_limits
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.intake.claimed import claimed_vehicle
from herdbook.pipeline.intake.outcome import PROFILE_REFUSED
from herdbook.pipeline.own.load import own_of
from herdbook.pipeline.store.connection import visit
from herdbook.pipeline.store.statements import ask
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.refused_profile import refused


def refused_profiles(store: Store) -> dict[str, str]:
    """What is wrong, by name of the profile; also those whose [limits] no rule has. Raises: ProfileError when no
    profile is left to judge by."""
    sound, bad = store.profiles(), store.refused_profiles()
    rules = own_of(store).judging_rules()
    own = {name: rule for name, rule in rules.items() if name not in all_rules()}
    unlimited = [refused(p.path, error) for p in sound if (error := wrong_limits(p, own))]
    if len(unlimited) == len(sound):
        raise (bad or unlimited)[0].error
    named = {p.name for p in sound} - {r.name for r in unlimited}
    return {r.name: r.words for r in reversed([*bad, *unlimited]) if r.name not in named}


def notes(bad: Mapping[str, str]) -> list[str]:
    """What the night tells, one sentence each, without a full stop."""
    after = "its vehicles are not assessed, and logs that only it can read wait, until that is corrected"
    return [f"{words.rstrip('.')}; {after}" for _, words in sorted(bad.items())]


def vehicles_held_up(store: Store, bad: Mapping[str, str]) -> dict[str, str]:
    """Why, by vehicle: those whose newest log is by such a profile, those touched that have any by it, and those whose
    logs wait for it in quarantine."""
    if not bad:
        return {}
    with visit(store.catalogue, read_only=True) as con:
        rows = ask(con, __name__, "vehicles_by_profile", profiles=list(bad))
        waiting = ask(con, __name__, "logs_waiting", reason=PROFILE_REFUSED)
    held = {row["vehicle"]: bad[row["profile"]] for row in rows}
    for row in waiting:
        if vehicle := claimed_vehicle(store, row["path"]):
            held.setdefault(vehicle, row["detail"])
    return held
