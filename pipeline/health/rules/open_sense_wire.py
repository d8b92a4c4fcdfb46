"""A measuring wire without contact: a group reads nothing, or far too little, while its charge is there.

Physics: a group of a series string cannot be at nought volts while its neighbour reads as much too much, nor while the
pack's terminals still show its share. Without this rule such a reading would pass for a group emptied past
what it stands, and a sound pack for a dangerous one. The group itself is unprotected all the same.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import any_of, less_likely_if, only_by, shared_tap
from herdbook.pipeline.health.reading import event_table, lately, metric_rows, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.rules._sense_wire import KEYS, LEAST_OFF_V, by_wire
from herdbook.pipeline.health.sentences import counted
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.vehicle.record import Event, Metric

LIMITS = (
    Limit("least_events", 2.0, "times", "engineering choice: once may be a lost frame, unless it lasts"),
    Limit("least_s", 30.0, "s", "engineering choice: one stretch this long is enough"),
    Limit("days", 60.0, "days", "engineering choice: the newest stretch that is judged together"),
)


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    if not metric_rows(record, "cell_under_s").height:
        return NotAssessed("group voltages or the profile's lowest voltage are not known")
    kinds = ("group_under_voltage", "group_over_voltage")
    tables = [lately(record, event_table(record, kind, KEYS), limits["days"]) for kind in kinds]
    if not any(table.height for table in tables):
        return []
    events = pl.concat([table.select(*_FRAME, *KEYS) for table in tables]).filter(by_wire())
    mine, other = pl.col("item").cast(pl.Int64), pl.col("neighbour").fill_null(pl.col("item").cast(pl.Float64))
    events = events.with_columns(
        low=pl.min_horizontal(mine, other.cast(pl.Int64)), high=pl.max_horizontal(mine, other.cast(pl.Int64))
    )
    found = []
    for (low, high), part in events.group_by(["low", "high"], maintain_order=True):
        if part.height >= limits["least_events"] or seconds(part) >= limits["least_s"]:
            found.append(_finding(int(str(low)), int(str(high)), part))
    return sorted(found, key=lambda f: -f.duration_s)


_FRAME = ("session_start_t", "item", "start_t", "end_t")


def _finding(low: int, high: int, part: pl.DataFrame) -> Finding:
    far = part.with_columns(off=(pl.col("median_v") - pl.col("extreme_v")).abs()).sort("off", descending=True)
    first = far.row(0, named=True)
    pair = f"cells {low}-{high}" if low != high else f"cell {low}"
    beside = f" beside {first['neighbour_v']:.2f} V of its neighbour" if first["neighbour_v"] is not None else ""
    lacks = first["pack_less_sum_v"]
    pack = f"; the pack's voltage has {lacks:.1f} V more than the groups' sum" if lacks is not None else ""
    return Finding(
        severity=Severity.SERVICE,
        item=pair,
        measured=first["off"],
        limit=LEAST_OFF_V,
        unit="V",
        se=0.01,
        statement=f"Group {first['item']} read {first['extreme_v']:.2f} V{beside}, with the median group at "
        f"{first['median_v']:.2f} V{pack}; {counted(part.height, 'time')}, {seconds(part):.0f} s in all. "
        "No group does that: the measuring wire has no contact, and these groups are not protected.",
        confidence=0.97,
        persistence=min(1.0, part["session_start_t"].n_unique() / 5),
        count=part.height,
        duration_s=seconds(part),
        windows=windows(far, "off"),
        signals=("cell_voltage", "pack_voltage", "pack_current"),
        not_separable="Wire, pin or the monitor's own channel: a meter on the two groups' terminals, by a qualified "
        "person, tells; until then treat both groups as unknown.",
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import ExampleSession, one_session, record

    def read(
        day: float,
        volts: float,
        seconds: int = 40,
        sum_lacks: float | None = None,
        neighbour: float | None = 5.0,
        median: float = 3.3,
    ) -> ExampleSession:
        data = {"extreme_v": volts, "limit_v": 2.5, "beyond_v": 2.5 - volts, "median_v": median, "current_a": 0.0}
        if neighbour is not None:
            data |= {"neighbour": 5.0, "neighbour_v": neighbour}
        if sum_lacks is not None:
            data["pack_less_sum_v"] = sum_lacks
        event = Event("group_under_voltage", 0, seconds * 1_000_000, "4", data)
        return one_session(day, "rest", Metric("cell_under_s", float(seconds), "s", None, 300), event)

    return Cases(
        fires_on=(
            record(read(0, 0.0)),
            record(read(0, 0.02, 4, neighbour=None, sum_lacks=3.2), read(1, 0.0, 5, neighbour=None, sum_lacks=3.3)),
        ),
        quiet_on=(
            record(read(0, 1.4, neighbour=3.3, sum_lacks=0.05)),  # an emptied group: the sum agrees with it
            record(read(0, 0.0, neighbour=3.31)),  # nothing speaks for the wire: the under-voltage rule says so
            record(read(0, 0.0, seconds=3)),
            record(read(0, 0.0, neighbour=1.2, median=0.75)),  # the whole pack is empty: groups stand apart by nature
        ),
        unassessed_on=(record(one_session(0, "rest")),),
    )


RULE = Rule(
    id="open_sense_wire",
    title="A measuring wire without contact",
    subsystem="cells",
    severity=Severity.SERVICE,
    needs=("cell_under_s",),
    roles=("cell_voltage", "pack_voltage"),
    must=("cell_voltage",),
    limits=LIMITS,
    judge=judge,
    meaning="Two groups are read wrongly, by volts. The pack may refuse to work, or protect groups it cannot see: it "
    "could charge one of them too far without knowing.",
    causes=(
        Cause("a broken wire", any_of(shared_tap(), only_by("the resistance of the wire from tap to plug"))),
        Cause(
            "a pin out of its place, or a plug not seated",
            any_of(shared_tap(), only_by("a look at the plug, and the readings while it is pressed home")),
        ),
        Cause(
            "a failed channel of the monitor",
            less_likely_if(
                only_by("the same group read through another channel, or the monitor's own test"), shared_tap()
            ),
        ),
    ),
    bench=(
        "measure both groups at their terminals with a meter and compare with what the electronics report",
        "run the monitor's open-wire test, where it has one",
        "pull gently on wire and pin while watching the two readings",
    ),
    cautions=(
        "Two of the pack's groups are not protected until the wire is mended: charge only attended, away from exits.",
        "Sense wires carry the energy of the pack: a short burns. Only a qualified person opens a pack.",
    ),
    source="Kirchhoff's voltage law in a series string; a shared tap moves two neighbours opposite ways",
    cases=_cases,
)
