"""herdbook fleet: the vehicles with their lowest scores and findings; on request as a static site."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder
from herdbook.pipeline.times import utc_now

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store

HEADS = (
    "vehicle",
    "profile",
    "state",
    "lowest score",
    "not assessed",
    "stop-use",
    "service",
    "note",
    "logs",
    "last log",
    "age, d",
)
NOTE = (
    "Lowest score: of the eight subsystems, 0 to 100; not assessed: how many of the eight; age, d: days from its last "
    "log to the newest scan. A good score is no proof of safety."
)

ORDER = 30


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook fleet --store fleet --pages site")(fleet)


def fleet(
    store: StoreFolder = DEFAULT_STORE,
    pages: Annotated[Path | None, typer.Option(help="Also write the fleet page and a page a vehicle here.")] = None,
    dossiers: Annotated[bool, typer.Option("--dossiers", help="With --pages: also dossiers, of whom to call.")] = False,
    notes: Annotated[bool, typer.Option("--notes", help="Show findings of severity `note` too.")] = False,
    night: Annotated[bool, typer.Option("--night", help="Also: one cause or many, drift, parked, time, room.")] = False,
    json: Json = False,
) -> None:
    """List the vehicles with their state, lowest score and findings, stop-use first.

    JSON: vehicles (vehicle, profile; the scores cells, pack, thermal, charging, braking, drive, remote link, data: 0
    to 100 or null; stop_use, service, note: counts; logs, last_t, age_days), findings (vehicle, severity, rule, item,
    statement, muted: by whom and until when, or null); with --night also night: scan, intake, muted, news,
    shared_new, shared_standing, months, rules_changed, chances, drifts, parked, charging, networks, steps, runs,
    forecast, fingerprint, room. Times are UTC.
    """
    from herdbook.pipeline.commands.terminal import fleet_night, screen
    from herdbook.pipeline.commands.terminal.rows import rows
    from herdbook.pipeline.store.store import Store

    opened = Store.open(store)
    vehicles = rows(opened, "fleet_table")
    severities = ["stop-use", "service", "note"] if notes else ["stop-use", "service"]
    findings = rows(opened, "fleet_findings", severities=severities)
    muted = muted_now(opened)
    findings = [f | {"muted": muted.get((f["vehicle"], f["rule"], f["item"]))} for f in findings]
    wide = fleet_night.read(opened) if night else None
    if json:
        more = {} if wide is None else {"night": wide.as_dict()}
        screen.as_json({"vehicles": vehicles, "findings": findings} | more)
    elif not vehicles:
        screen.say(nobody(rows(opened, "store_counts")[0]["quarantined"]))
    else:
        show(vehicles, findings, hidden=sum(v["note"] for v in vehicles) if not notes else 0)
        if wide is not None:
            fleet_night.show(wide)
    if pages is not None:
        from herdbook.pipeline.reports import write_fleet

        with screen.progress("fleet") as told:
            called = ("stop-use", "service") if dossiers else ()
            written = write_fleet(opened, pages, lambda done, total: told(done, total, "pages"), called)
        if not json:
            screen.say(f"Fleet page: {screen.place(written)}")


def nobody(refused: int) -> str:
    """Instead of an empty table, which would read as good news."""
    if not refused:
        return "No vehicle is on record yet: run a scan first."
    logs = "1 log is" if refused == 1 else f"{refused:,} logs are"
    return f"No vehicle is on record: {logs} in quarantine. Next: herdbook quarantine"


def show(vehicles: list[dict[str, Any]], findings: list[dict[str, Any]], hidden: int) -> None:
    """hidden: how many notes are not among the findings."""
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.health.voice import order_of

    rows = [in_the_table(v) for v in vehicles]
    screen.table(screen.plural(len(rows), "vehicle"), HEADS, rows, note=NOTE)
    screen.say()
    left_out = f", and {hidden} {'note' if hidden == 1 else 'notes'} (--notes shows them)" if hidden else ""
    if findings:
        listed = [[f["vehicle"], f["severity"], f["rule"], f["item"], said(f)] for f in findings]
        heads = ["vehicle", "severity", "rule", "item", "what was recorded"]
        screen.table(f"{screen.plural(len(listed), 'finding')}{left_out}", heads, listed)
    else:
        screen.say(f"No findings{left_out}.")
    if any(f["severity"] == "stop-use" for f in findings):
        screen.say(f"\nStop use: {order_of('stop-use')} A nightly scan is not a safety system.", style="bold")


def in_the_table(vehicle: dict[str, Any]) -> list[Any]:
    """One vehicle in the order of HEADS."""
    from herdbook.pipeline.health.severity import SUBSYSTEMS, Severity
    from herdbook.pipeline.health.voice import VOICES

    count = {s: vehicle[s.name.lower()] for s in reversed(Severity)}
    gravest = next((VOICES[s].label for s, n in count.items() if n), "no finding")
    known = [(vehicle[name], name) for name in SUBSYSTEMS if vehicle[name] is not None]
    score, subsystem = min(known, default=(None, ""))
    lowest = "–" if score is None else "100" if score > 99.5 else f"{score:.0f} {subsystem}"
    age = vehicle["age_days"]
    return [
        *(vehicle["vehicle"], vehicle["profile"], gravest, lowest, len(SUBSYSTEMS) - len(known), *count.values()),
        *(vehicle["logs"], str(vehicle["last_t"] or "–")[:10], None if age is None else round(age)),
    ]


def said(finding: dict[str, Any]) -> str:
    """What was recorded, and that it is muted."""
    return f"{finding['statement']} (Muted {finding['muted']}.)" if finding["muted"] else str(finding["statement"])


def muted_now(opened: Store) -> dict[tuple[str, str, str], str]:
    """By finding (vehicle, rule, item): by whom it is muted, until when and why."""

    from herdbook.pipeline.night import mutes

    with opened.read() as con:
        held = mutes.in_force(con, utc_now())
    return {key: m.words for key, m in held.items()}
