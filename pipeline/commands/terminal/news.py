"""The change list on the terminal: stop-use first, then what changed and why."""

from __future__ import annotations

from typing import Any


def show(result: dict[str, Any]) -> None:
    """A change list as herdbook.pipeline.night.changes writes it, for a person."""
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.health.severity import Severity
    from herdbook.pipeline.health.voice import VOICES
    from herdbook.pipeline.many_groups import told_once
    from herdbook.pipeline.night.changes import COLUMNS

    voice = VOICES[Severity.STOP_USE]
    screen.say(str(result["headline"]), style="bold")
    if result["stop_use"]:
        told = told_once(
            result["stop_use"],
            same=lambda s: (s["vehicle"], s["title"], s["state"]),
            item=lambda s: s["item"],
            statement=lambda s: s["statement"],
        )
        rows = [(t.row["vehicle"], t.row["title"], t.item, t.statement, t.row["state"]) for t in told]
        heading = f"{voice.label}: {voice.heading.lower()}"
        screen.table(heading, ("vehicle", "finding", "item", "statement", "state"), rows, note=voice.order)
    if result["not_assessed"]:
        unknown = [(n["vehicle"], n["reason"]) for n in result["not_assessed"]]
        note = "Nobody knows what stands against these vehicles; the next scan tries again."
        screen.table("Could not be assessed", ("vehicle", "reason"), unknown, note=note)
    if doubts := [d for d in result["profile_doubts"] if d["verdict"] == "contradicted" or d["new"]]:
        doubted = [(d["profile"], d["verdict"], d["reason"], d["found"], d["advice"]) for d in doubts]
        note = "Rules that need a contradicted role are not assessed. See: herdbook profile check PROFILE --log LOG"
        screen.table("Profiles in doubt", ("profile", "verdict", "why", "found", "what to do"), doubted, note=note)
    if result["rows"]:
        screen.table("Changed", COLUMNS, result["rows"])
    if result["muted"]:
        screen.say(f"{screen.plural(len(result['muted']), 'change')} muted and not told. See: herdbook mute")
    for note in result["notes"]:
        screen.say(f"{note[:1].upper()}{note[1:]}.")
    if result["quarantined"]:
        refused = [(q["log"], q["folder"], q["reason"]) for q in result["quarantined"]]
        screen.table("In quarantine", ("log", "folder", "reason"), refused, note="More: herdbook quarantine")
    if result["waiting"]:
        later = [(w["path"], w["reason"]) for w in result["waiting"]]
        screen.table("Waiting, not taken in yet", ("file", "why, and until when"), later)
    if result["fleet_quiet"]:
        screen.say(result["fleet_quiet"])
