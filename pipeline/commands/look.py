"""herdbook look: one unit's logs, decoded, judged and drawn on a page, without a store."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from threading import Thread
from typing import TYPE_CHECKING, Annotated, Any

import typer

from herdbook.pipeline.commands.terminal.options import Json

if TYPE_CHECKING:
    from herdbook.pipeline.health.severity import Severity
    from herdbook.pipeline.night.look import Looked

ORDER = 5
MANY = 5  # questions that one missing figure keeps from being judged, to be told at once
LACKS = re.compile(r"the profile \S+ gives no (\[\w+\] \w+)")


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook look ride.blf --profile profiles/board.toml")(look)


def look(
    logs: Annotated[list[Path], typer.Argument(help="Logs, or folders of logs.", show_default=False)],
    profile: Annotated[Path, typer.Option(help="The vehicle's profile.", show_default=False)],
    vehicle: Annotated[str, typer.Option(help="Whose the logs are, where they do not say so.")] = "",
    out: Annotated[Path, typer.Option(help="Folder for the page.")] = Path("."),
    page: Annotated[bool, typer.Option(help="Write the page; --no-page only prints.")] = True,
    own: Annotated[
        Path | None, typer.Option(help="Folder of rules of your own, to judge by too: code that runs.")
    ] = None,
    json: Json = False,
) -> None:
    """Decode and judge one unit's logs and write its dossier. Nothing is kept: a scan into a store does that.

    Exit code: 0 nothing to call about, 10 a service finding or logs that contradict the profile, 20 a stop-use finding,
    30 a log could not be used, 40 a vehicle could not be assessed.

    JSON: vehicles (vehicle, named_by: the logs or this command, verdict, scores, findings, not_assessed, page), refused
    (log, why, do), waiting (file, why), doubts (profile, verdict, reason, found, advice, roles, new), failed (vehicle,
    why).
    """
    from dataclasses import asdict

    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.health.voice import gravest
    from herdbook.pipeline.night.look import look as look_at

    if page:  # loaded while the scan waits for the disk and for columns: a tenth of a look
        Thread(target=load_page).start()
    with screen.progress("look") as told, look_at(logs, profile, vehicle, told, own) as found:
        seen = [about(found, name, out if page else None) for name in found.vehicles]
    left = {
        "refused": [{"log": log, "why": why, "do": do} for log, why, do in found.refused],
        "waiting": [{"file": w.path, "why": w.in_words} for w in found.waiting],
        "doubts": [asdict(d) | {"roles": list(d.roles)} for d in found.doubts],
        "failed": [{"vehicle": name, "why": why} for name, why in sorted(found.done.failed.items())],
    }
    if json:
        screen.as_json({"vehicles": seen, **left})
    else:
        for one in seen:
            show(one)
        for line in said(found):
            screen.warn(f"herdbook: {line}")
    raise typer.Exit(exit_code(found, gravest(f["severity"] for one in seen for f in one["findings"])))


def load_page() -> None:
    """What writes a dossier, ready to do so."""
    from herdbook.pipeline.reports.dossier.write import load

    load()


def said(found: Looked) -> Iterator[str]:
    """What a person must hear beside the findings, a line each."""
    for doubt in found.doubts:
        yield f"the profile is {doubt.verdict}: {doubt.words}"
    for name in found.named:
        yield f"no log says whose it is; looked at under the name {name} (--vehicle gives another)"
    yield from (note for note in found.done.notes if note.startswith("own "))  # rules of one's own that are broken
    for log, why, do in found.refused:
        yield f"{log} could not be used: {why.rstrip('.')}. {do}"
    for waiting in found.waiting:
        yield f"{waiting.path} was left alone: {waiting.in_words}"
    for name, why in sorted(found.done.failed.items()):
        yield f"{name} could not be assessed: {why}"


def exit_code(found: Looked, worst: Severity | None) -> int:
    """The most urgent of what was found, by the codes of a scan."""
    from herdbook.pipeline.health.voice import VOICES
    from herdbook.pipeline.night.changes import NOTHING, QUARANTINED, SERVICE_NEWS, UNASSESSED

    if worst is not None and VOICES[worst].exit_code:
        return VOICES[worst].exit_code
    if any(d.verdict == "contradicted" for d in found.doubts):
        return SERVICE_NEWS
    return UNASSESSED if found.done.failed else QUARANTINED if found.refused else NOTHING


def about(found: Looked, vehicle: str, folder: Path | None) -> dict[str, Any]:
    """What is said of one vehicle. folder: where its page goes, None: no page."""
    from herdbook.pipeline.reports.dossier.write import write_facts
    from herdbook.pipeline.reports.facts import one_vehicle, unbooked
    from herdbook.pipeline.reports.verdict import verdict

    with found.store.read() as con:
        facts = one_vehicle(con, vehicle, found.store.settings.zone)
        written = str(write_facts(found.store, con, unbooked(facts), folder)) if folder is not None else ""
    return {
        "vehicle": vehicle,
        "named_by": "this command" if vehicle in found.named else "the logs",
        "verdict": " ".join(verdict(facts, len(facts.sessions))),
        "scores": {row["subsystem"]: row["score"] for row in facts.scores},
        "findings": [{k: f[k] for k in ("severity", "rule", "title", "item", "statement")} for f in facts.findings],
        "not_assessed": [{k: n[k] for k in ("rule", "reason")} for n in facts.not_assessed],
        "page": written,
    }


def lacking(not_assessed: Sequence[dict[str, Any]]) -> str:
    """The figure of the profile for want of which most could not be judged; "" where it is no more than a few."""
    said = (LACKS.search(n["reason"]) for n in not_assessed)
    most = Counter(found[1] for found in said if found).most_common(1)
    if not most or most[0][1] < MANY:
        return ""
    figure, count = most[0]
    return f" {count} of them need {figure}, which the profile does not give."


def show(one: dict[str, Any]) -> None:
    from herdbook.pipeline.commands.terminal import screen

    screen.say(one["verdict"], style="bold")
    if one["findings"]:
        rows = [(f["severity"], f["title"], f["item"], f["statement"]) for f in one["findings"]]
        screen.table("Findings", ("severity", "finding", "item", "what was recorded"), rows)
    scores = ", ".join(f"{name} {'–' if s is None else round(s)}" for name, s in one["scores"].items())
    screen.say(f"Scores (0 to 100, – is not assessed): {scores}.")
    if one["not_assessed"]:
        where = "the page" if one["page"] else "--json"
        screen.say(f"Which questions could not be judged, and why: see {where}.{lacking(one['not_assessed'])}")
    if one["page"]:
        screen.say(f"Page: {screen.place(Path(one['page']))}")
