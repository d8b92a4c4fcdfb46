"""The last minute on record at full rate: what the unit did before the record ends."""

from __future__ import annotations

from typing import TYPE_CHECKING

from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.reports.dossier.evidence import command
from herdbook.pipeline.reports.drawing.panels import Panel, stack
from herdbook.pipeline.reports.drawing.traces import load
from herdbook.pipeline.reports.facts import Facts
from herdbook.pipeline.reports.page.blocks import Block, Drawn, Leaf, Note
from herdbook.pipeline.reports.page.figure import PageFigure
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.store.statements import Row
from herdbook.pipeline.times import from_micros, micros

if TYPE_CHECKING:
    import duckdb

    from herdbook.pipeline.store.store import Store

ORDER = 60  # place in the dossier
LAST_S = 60.0
ROLES = (
    "trigger",
    "throttle",
    "brake_demand",
    "vehicle_speed",
    "motor_current",
    "pack_current",
    "pack_voltage",
    "bms_state",
    "contactor_state",
)


def leaf(store: Store, con: duckdb.DuckDBPyConnection, facts: Facts) -> Leaf:
    blocks: list[Block] = []
    newest = facts.sessions[-1:]
    ride = [s for s in facts.sessions if s["kind"] == "ride"][-1:]
    for name, chosen in (("newest record", newest), ("newest ride", ride if ride != newest else [])):
        blocks += [_last(store, facts, name, session) for session in chosen]
    if not blocks:
        blocks.append(Note("No session is on record.", "absent"))
    lead = "A record ends where the log ends: a switch, a cable pulled, or the logger's supply gone."
    return Leaf("last", "The last minute", lead, blocks)


def _last(store: Store, facts: Facts, name: str, session: Row) -> Block:
    end = micros(session["end_t"])
    start = max(micros(session["start_t"]), end - int(LAST_S * 1e6))
    try:
        signals = load(store, facts.vehicle, start, end + 1, ROLES, pack=facts.pack)
    except HerdbookError as problem:
        return Note(f"The end of the {name} could not be read. {problem}", "absent")
    made = stack(signals, [Panel(role) for role in ROLES], facts.zone)
    if not made.spec["data"]:
        return Note(f"The signals of the end of the {name} are not in the store any more, or never were.", "absent")
    roles = tuple(role for role in ROLES if signals.has(role))
    span = numbers.span(from_micros(start), session["end_t"], facts.zone)
    title = f"End of the {name} ({session['kind']}): {span}"
    alt = f"Line chart of the last {numbers.duration((end - start) / 1e6)} of the {name}."
    height = int(made.spec["layout"]["height"])
    return Drawn(
        PageFigure(
            f"last-{name.split()[-1]}",
            title,
            alt,
            made.spec,
            made.note,
            zoom=made.zoom,
            height=height,
            command=command(facts, roles, start, end),
        )
    )
