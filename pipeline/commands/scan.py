"""herdbook scan: take in what is new, judge what it touches, publish, and say what changed."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Jobs, Json, Profiles, StoreFolder

if TYPE_CHECKING:
    from herdbook.pipeline.night.steps import ScanResult

ORDER = 20
TRUST = "Go on although an earlier scan ran at a later time: this computer's clock is right now."


def register(app: typer.Typer) -> None:
    app.command(epilog="Example: herdbook scan inbox --store fleet --profiles profiles")(scan)


def scan(
    inbox: Annotated[Path, typer.Argument(help="Folder of logs (or one log).", show_default=False)],
    store: StoreFolder = DEFAULT_STORE,
    profiles: Profiles = None,
    jobs: Jobs = None,
    json: Json = False,
    trust_clock: Annotated[bool, typer.Option("--trust-clock", help=TRUST)] = False,
) -> None:
    """Take in new logs, assess the vehicles they touch, publish, and list what changed.

    Exit code: 0 nothing to call about, 10 service news, 20 stop-use news, 30 logs in quarantine, 40 vehicles that could
    not be assessed.

    JSON: scan, started, as_of, covers, exit_code, headline, logs_new, vehicles, counts, stop_use, changes (change,
    vehicle, reason, severity, before, rule, title, item), muted (changes not told), notes, fleet_quiet,
    profile_doubts, quarantined, not_assessed (vehicle, reason), waiting (path, reason), rows, numbers,
    inbox (where everything in it ended).
    """
    from dataclasses import replace

    from herdbook.pipeline.night.forks import few_threads, preload_workers

    few_threads()
    preload_workers()  # workers' imports run beside our own
    from herdbook.pipeline.store.store import Store

    opened = Store.create(store, profiles)
    from herdbook.pipeline.commands.terminal import news, screen
    from herdbook.pipeline.night.changes import QUARANTINED
    from herdbook.pipeline.night.read_changes import last_night
    from herdbook.pipeline.night.scan import run_scan

    with screen.progress("scan") as told:
        done = run_scan(inbox, opened, jobs=jobs or os.cpu_count() or 1, progress=told, trust_clock=trust_clock)
    changes = last_night(opened, scan=done.scan)
    assert changes is not None, "a scan closes its night"
    changes = replace(changes, waiting=tuple((w.path, w.in_words) for w in done.inbox.waiting))
    result: dict[str, Any] = changes.as_dict() | {"rows": [list(r) for r in changes.rows()], "numbers": numbers(done)}
    if json:
        screen.as_json(result | {"inbox": done.inbox.as_dict()})
    else:
        news.show(result)
        screen.say(in_words(done))
    raise typer.Exit(changes.exit_code or (QUARANTINED if done.inbox.unaccounted else 0))


def numbers(done: ScanResult) -> dict[str, Any]:
    return {
        "scan": done.scan,
        "logs_new": done.logs_new,
        "logs_known": done.logs_known,
        "quarantined": done.quarantined,
        "vehicles": done.vehicles,
        "failed": done.failed,
        "seconds": done.seconds,
    }


def in_words(done: ScanResult) -> str:
    """What was done, where everything in the inbox ended, and where the time went."""
    spent = ", ".join(f"{step} {s:.1f} s" for step, s in done.seconds.items())
    judged = "1 vehicle" if done.vehicles == 1 else f"{done.vehicles:,} vehicles"
    return f"{done.inbox.in_words()} {judged} assessed ({spent})."
