"""The change list on the terminal: stop-use first, then what changed and why."""

from __future__ import annotations

from typing import Any


def show(result: dict[str, Any]) -> None:
    """A change list as herdbook.pipeline.night.changes writes it, for a person."""
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.night.changes import COLUMNS

    screen.say(str(result["headline"]), style="bold")
    if result["stop_use"]:
        rows = [(s["vehicle"], s["title"], s["item"], s["statement"]) for s in result["stop_use"]]
        screen.table("Stop use: must not be ridden or charged", ("vehicle", "finding", "item", "statement"), rows)
    if doubts := [d for d in result["profile_doubts"] if d["verdict"] == "contradicted" or d["new"]]:
        told = [(d["profile"], d["verdict"], d["reason"], d["found"], d["advice"]) for d in doubts]
        note = "Rules that need a contradicted role are not assessed. See: herdbook profile check PROFILE --log LOG"
        screen.table("Profiles in doubt", ("profile", "verdict", "why", "found", "what to do"), told, note=note)
    if result["rows"]:
        screen.table("Changed", COLUMNS, result["rows"])
    if result["muted"]:
        screen.say(f"{screen.plural(len(result['muted']), 'change')} muted and not told. See: herdbook mute")
    if result["quarantined"]:
        refused = [(q["log"], q["reason"]) for q in result["quarantined"]]
        screen.table("In quarantine", ("log", "reason"), refused, note="More: herdbook quarantine")
    if result["fleet_quiet"]:
        screen.say(result["fleet_quiet"])
