"""All that the herd's questions bring up, in one record: what the fleet page, the night page and `--json` show."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.herd.disk import Room, room
from herdbook.pipeline.herd.drift import Drifts, drifts
from herdbook.pipeline.herd.false_rate import Chance, chances, vehicle_months
from herdbook.pipeline.herd.fingerprint import fingerprint
from herdbook.pipeline.herd.night import Intake, Night, intake, newest_night
from herdbook.pipeline.herd.parked import charging_habits, parked
from herdbook.pipeline.herd.runs import Forecast, forecast, runs
from herdbook.pipeline.herd.shared import Shared, of_groups, traits
from herdbook.pipeline.herd.unit_steps import UnitStep, networks, steps
from herdbook.pipeline.night import mutes
from herdbook.pipeline.night.changes import ChangeList
from herdbook.pipeline.night.read_changes import read_changes
from herdbook.pipeline.settings import night_settings
from herdbook.pipeline.store.statements import Row, ask
from herdbook.pipeline.times import utc_now

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

ALL_NEW = "All that is new or worse"


@dataclass(frozen=True, slots=True)
class Overview:
    """See the modules for what each field holds. months: vehicle-months of record that the night brought.
    rules_changed: it judged by another rule set than the night before. news: findings new or worse, muted ones too."""

    told: ChangeList | None
    night: Night | None
    intake: Intake
    muted: list[mutes.Mute]
    shared_new: list[Shared]
    shared_standing: list[Shared]
    months: float
    rules_changed: bool
    news: int
    chances: list[Chance]
    drifts: Drifts
    parked: list[Row]
    charging: list[Row]
    networks: list[Row]
    steps: list[UnitStep]
    runs: list[Row]
    forecast: Forecast | None
    fingerprint: str
    room: Room | None = field(default=None)

    def as_dict(self) -> dict[str, Any]:
        """Ready for JSON but for times, which stay datetimes in UTC."""
        out: dict[str, Any] = {
            name: _plain(getattr(self, name)) for name in self.__dataclass_fields__ if name not in ("told", "muted")
        }
        out["muted"] = [mutes.as_row(m) for m in self.muted]
        for name in ("shared_new", "shared_standing"):
            out[name] = [asdict(s) | {"words": s.words} for s in getattr(self, name)]
        return out


def _plain(value: Any) -> Any:
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return asdict(value) if hasattr(value, "__dataclass_fields__") else value


def overview(store: Store, con: duckdb.DuckDBPyConnection, with_room: bool = True) -> Overview:
    """con: the published catalogue."""
    from herdbook.pipeline.health.judged import load

    told, last = read_changes(con), newest_night(con)
    common = traits(con)
    new = [c for c in (*told.changes, *told.muted) if c.rule and c.urgent] if told else []
    months = vehicle_months(con, last) if last else 0.0
    every = runs(con)
    limit_h = night_settings(store.settings, store.folder).limit_h
    held = mutes.in_force(con, utc_now())
    return Overview(
        told=told,
        night=last,
        intake=intake(con, last) if last else Intake(),
        muted=sorted(held.values(), key=lambda m: m.until),
        shared_new=of_groups(_groups([(c.title, c.vehicle) for c in new], ALL_NEW), common),
        shared_standing=of_groups(_standing(con), common),
        months=months,
        rules_changed=_rules_changed(con),
        news=len(new),
        chances=chances([c.rule for c in new if c.change == "new"], months, load()),
        drifts=drifts(con, _own_limits(store)),
        parked=parked(con, last.as_of, last.started) if last else [],
        charging=charging_habits(con),
        networks=networks(con, last) if last else [],
        steps=steps(con, last) if last else [],
        runs=every,
        forecast=forecast(every, limit_h),
        fingerprint=fingerprint(con),
        room=room(store, con) if with_room else None,
    )


def _groups(found: list[tuple[str, str]], everything: str = "") -> dict[str, set[str]]:
    """Vehicles by what stands against them; all of them together first, where they have different things."""
    groups: defaultdict[str, set[str]] = defaultdict(set)
    for title, vehicle in found:
        groups[title].add(vehicle)
    if everything and len(groups) > 1:
        return {everything: {v for _, v in found}} | dict(groups)
    return dict(groups)


def _standing(con: duckdb.DuckDBPyConnection) -> dict[str, set[str]]:
    return _groups([(row["title"], row["vehicle"]) for row in ask(con, __name__, "titles")])


def _own_limits(store: Store) -> Mapping[str, Mapping[str, float]]:
    """Limits that profiles set; none where the profiles cannot be read, which a scan would have said."""
    try:
        return {p.name: p.limits for p in store.profiles()}
    except HerdbookError:
        return {}


def _rules_changed(con: duckdb.DuckDBPyConnection) -> bool:
    last = [row["rule_set"] for row in ask(con, __name__, "last_rule_sets")]
    return len(last) == 2 and last[0] != last[1]
