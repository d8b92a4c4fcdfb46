"""herdbook store: what is in the store, and its upkeep."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Annotated, Any

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Jobs, Json, StoreFolder
from herdbook.pipeline.commands.terminal.verb_list import VerbList

if TYPE_CHECKING:
    from herdbook.pipeline.store.store import Store
    from herdbook.pipeline.upkeep.repair import Mended

ORDER = 100


def register(app: typer.Typer) -> None:
    group = typer.Typer(cls=VerbList, help="Say what is in the store, and keep it in order.", no_args_is_help=True)
    group.command(epilog="Example: herdbook store show --store fleet")(show)
    group.command(epilog="Example: herdbook store check --repair --store fleet")(check)
    group.command(epilog="Example: herdbook store upkeep --store fleet")(upkeep)
    group.command(epilog="Example: herdbook store refit --store fleet")(refit)
    group.command(epilog="Example: herdbook store redecode --store fleet")(redecode)
    group.command(epilog="Example: herdbook store publish --store fleet")(publish)
    group.command(epilog="Example: herdbook store key --store fleet")(key)
    app.add_typer(group, name="store")


def show(store: StoreFolder = DEFAULT_STORE, json: Json = False) -> None:
    """Say what is in the store: vehicles, logs, frames, findings, room taken."""
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.commands.terminal.rows import rows
    from herdbook.pipeline.night.again import outdated
    from herdbook.pipeline.store.record_files import files_of
    from herdbook.pipeline.store.store import Store

    opened = Store.open(store)
    counts = rows(opened, "store_counts")[0]
    counts["catalogue_bytes"] = opened.fleet.stat().st_size
    with opened.read() as con:
        counts["record_bytes"] = sum(file.bytes for file in files_of(con))
    counts["outdated_logs"] = len(outdated(opened))
    if opened.lake.far:
        counts |= far(opened)
    if json:
        screen.as_json(counts)
        return
    screen.table(screen.place(opened.folder), ("what", "how much"), list(lines(counts)))
    if counts["outdated_logs"]:
        screen.say(f"{counts['outdated_logs']:,} logs were decoded with other DBC files: herdbook store redecode")


def far(store: Store) -> dict[str, Any]:
    """What a lake behind an address and its local copies take. Where it cannot be reached: why, and no figures."""
    from herdbook.pipeline.errors import StoreError
    from herdbook.pipeline.lake.copy_cache import Copies

    copies = Copies(store.lake.root, 0).sizes()
    found: dict[str, Any] = {"lake": store.lake.shown, "copies": len(copies), "copies_bytes": sum(copies)}
    try:
        held = store.lake.parts()
        return found | {"lake_files": len(held), "lake_bytes": sum(part.size for part in held), "lake_trouble": None}
    except StoreError as error:
        return found | {"lake_files": None, "lake_bytes": None, "lake_trouble": error.what}


def lines(c: dict[str, Any]) -> list[tuple[str, str]]:
    """The counts in words, each with its unit."""
    from herdbook.pipeline.commands.terminal import screen

    told = []
    if "lake" in c:
        size = c["lake_trouble"] or f"{screen.plural(c['lake_files'], 'file')}, {c['lake_bytes'] / 1e6:.1f} MB"
        copies = f"{screen.plural(c['copies'], 'file')}, {c['copies_bytes'] / 1e6:.1f} MB"
        told = [("lake", f"{c['lake']}: {size}"), ("local copies", copies)]
    return [
        ("vehicles", f"{c['vehicles']:,}"),
        ("logs", f"{c['logs']:,}, of which {c['partial']:,} partial; {c['quarantined']:,} more in quarantine"),
        ("recorded", f"{c['hours']:.1f} h from {str(c['first_t'])[:16]} to {str(c['last_t'])[:16]} UTC"),
        ("frames", frames(c)),
        ("sessions", f"{c['sessions']:,} with {c['metrics']:,} metrics"),
        ("findings", f"{c['findings']:,}"),
        ("room", room(c)),
        *told,
        ("last scan", f"{str(c['last_scan'])[:16]} UTC"),
    ]


def room(c: dict[str, Any]) -> str:
    record = f", {c['record_bytes'] / 1e6:.1f} MB of the record in files" if c["record_bytes"] else ""
    return f"{c['part_bytes'] / 1e6:.1f} MB of parts, {c['catalogue_bytes'] / 1e6:.1f} MB published catalogue{record}"


def frames(c: dict[str, Any]) -> str:
    from herdbook.pipeline.commands.terminal import screen

    if not c["overlapping"]:
        return f"{c['frames']:,}"
    logs = screen.plural(c["overlapping"], "log")
    return f"{c['frames']:,} in all logs; {logs} overlap earlier ones, and what lies in both is counted in both"


def check(
    store: StoreFolder = DEFAULT_STORE,
    repair: Annotated[
        bool,
        typer.Option("--repair", help="Mend damaged parts from their logs; save what can be read where a log is gone."),
    ] = False,
    json: Json = False,
) -> None:
    """Compare every part, and every file of the record, with its hash; exit code 8 when one is missing or damaged and
    was not mended in full.

    A damaged file that is mended is kept as it was in the store's folder `damaged`."""
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.store.store import Store
    from herdbook.pipeline.upkeep.repair import check as look
    from herdbook.pipeline.upkeep.repair import repair as mend

    opened = Store.open(store)
    done = mend(opened) if repair else None
    troubles = done.troubles if done else tuple(look(opened))
    rows = [(t.problem, t.part, t.vehicles, "not mended") for t in troubles]
    if done:
        rows = [(m.trouble.problem, m.trouble.part, m.trouble.vehicles, state(m)) for m in done.mended]
    if json:
        screen.as_json([dict(zip(("problem", "part", "vehicles", "state"), r, strict=True)) for r in rows])
    elif rows:
        screen.table("Parts that are not what they were", ("problem", "part", "vehicles", "state"), rows)
        for one in done.mended if done else ():
            if one.aside:
                screen.say(f"The damaged file is kept: {one.aside}")
            for log in one.lost:
                screen.warn(f"herdbook: log {log.log[:12]} is not at {log.path} any more: {log.in_words}.")
        screen.say(
            "The next scan judges these vehicles again." if repair else "Mend them: herdbook store check --repair"
        )
    else:
        screen.say("Every part and every file of the record is as it was written.")
    raise typer.Exit(8 if (not done.in_full if done else troubles) else 0)


def state(mended: Mended) -> str:
    """What became of a damaged part, and what share of its rows is lost."""
    return "; ".join([mended.how, *dict.fromkeys(log.in_words for log in mended.lost)])


def upkeep(store: StoreFolder = DEFAULT_STORE, json: Json = False) -> None:
    """Merge parts by vehicle and month, let old ones expire, delete them when their grace is over ([keep])."""
    from dataclasses import asdict

    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.store.store import Store
    from herdbook.pipeline.upkeep.merge_and_expire import upkeep as keep

    done = keep(Store.open(store))
    if json:
        screen.as_json(asdict(done))
        return
    screen.say(
        f"{done.merged_logs:,} logs merged into {done.merged_into:,} files; {done.expired_logs:,} logs expired; "
        f"{done.deleted_files:,} files deleted ({done.deleted_bytes / 1e6:.1f} MB). "
        f"The lake holds {done.files:,} files, {done.bytes / 1e6:.1f} MB."
    )
    for part in done.damaged:
        screen.warn(f"herdbook: {part} is damaged. Rebuild it: herdbook store check --repair")


def refit(store: StoreFolder = DEFAULT_STORE, json: Json = False) -> None:
    """Fit the fleet's reference figures anew from its healthy majority; the next scan judges by them."""
    from herdbook.pipeline.assess.fit_reference import refit as fit
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.store.store import Store

    opened = Store.open(store)
    with opened.lock("refit of the reference"):
        figures = fit(opened)
    if json:
        screen.as_json(figures.to_dicts())
    elif figures.height:
        screen.table(f"{figures.height} reference figures", figures.columns, figures.rows(), note="Next: herdbook scan")
    else:
        screen.say("Too few vehicles of any profile for a reference; rules that need one stay not assessed.")


def redecode(store: StoreFolder = DEFAULT_STORE, jobs: Jobs = None, json: Json = False) -> None:
    """Decode again the logs whose profile has other DBC files by now; assess what they touch and publish."""
    from dataclasses import asdict

    from herdbook.pipeline.commands.scan import in_words
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.night.again import redecode as again
    from herdbook.pipeline.store.store import Store

    with screen.progress("redecode") as told:
        done = again(Store.open(store), jobs=jobs or os.cpu_count() or 1, progress=told)
    screen.as_json(asdict(done)) if json else screen.say(in_words(done))


def publish(store: StoreFolder = DEFAULT_STORE) -> None:
    """Publish the catalogue again as fleet.duckdb, for instance after the store was moved."""
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.store.publish import publish as again
    from herdbook.pipeline.store.store import Store

    opened = Store.open(store)
    with opened.lock("publish"):
        again(opened)
    screen.say(f"Published: {screen.place(opened.fleet)}")


def key(store: StoreFolder = DEFAULT_STORE, json: Json = False) -> None:
    """Print the public key by which others verify this store's histories; the key is made when there is none."""
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.store.signing_key import PUBLIC, private_key, public_key
    from herdbook.pipeline.store.store import Store

    opened = Store.open(store)
    private_key(opened)
    public = public_key(opened)
    if json:
        screen.as_json({"public_key": public, "file": str(opened.folder / PUBLIC)})
        return
    screen.say(public)
    screen.say(f"Give it to whoever is to verify your histories, by a way they trust; it also lies in {PUBLIC}.")
