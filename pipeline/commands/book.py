"""herdbook book: the service book: complaints, inspections, repairs, parts, as people enter them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder
from herdbook.pipeline.commands.terminal.verb_list import VerbList

if TYPE_CHECKING:
    from herdbook.pipeline.book.entry import Draft, Entry
    from herdbook.pipeline.book.refusals import Refusal
    from herdbook.pipeline.store.store import Store

COLUMNS = ("no.", "when", "what", "about", "said", "by")
KINDS = (
    "complaint, acknowledged, to inspection, inspection, repair, fitted, removed, campaign, firmware, sold, in "
    "service, returned, scrapped or note."
)

ORDER = 45
MOST_SHOWN = 40  # entries that are listed after an import; of more their count is told
By = Annotated[str, typer.Option(help="Who stands for it.")]


class VehicleFirst(VerbList):
    """`herdbook book ZB-0104` shows that book: what is no verb of the group is a vehicle."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:  # the class of ctx lies inside typer
        first = next((a for a in args if not a.startswith("-")), "")
        if "--help" not in args and first not in self.commands:
            args = ["show", *args]
        return super().parse_args(ctx, args)


def register(app: typer.Typer) -> None:
    group = typer.Typer(
        cls=VehicleFirst,
        help="The service book: what people found and did. `herdbook book VEHICLE` shows it.",
        epilog="Example: herdbook book ZB-0104",
    )
    group.command(epilog="Example: herdbook book show ZB-0104, or shorter: herdbook book ZB-0104")(show)
    group.command(
        epilog='Example: herdbook book add ZB-0104 repair --rule regen_dropout --said "loom renewed" --by workshop'
    )(add)
    group.command(name="import", epilog="Example: herdbook book import workshop.csv --dry-run")(import_file)
    group.command(epilog='Example: herdbook book strike 17 --by workshop --why "wrong vehicle"')(strike)
    app.add_typer(group, name="book")


def show(
    vehicle: Annotated[str, typer.Argument(help="Vehicle; every vehicle when left out.")] = "",
    everything: Annotated[bool, typer.Option("--all", help="Also what was corrected or struck.")] = False,
    store: StoreFolder = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Show the service book of a vehicle, or of all: entries in order, parts that sit in it, what is open.

    JSON: entries (entry, vehicle, kind, from_t, to_t, part, serial, batch, supplier, rule, item, outcome, said,
    made_by, made_t, source, corrects, holds), parts (vehicle, part, serial, batch, supplier, from_t, to_t, ended),
    contradictions (sentences), open (vehicle, rule, item, statement, since_t, last_t, standing, again, state,
    made_by). Times are UTC.
    """
    from dataclasses import asdict

    from herdbook.pipeline.book import book, parts, stop_use
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.reports.facts import rule_titles
    from herdbook.pipeline.store.store import Store
    from herdbook.pipeline.times import utc_now

    opened = Store.open(store)
    if vehicle:
        book.zone_for(opened, vehicle)
    with opened.read() as con:
        entries = book.entries(con, vehicle or None)
        told = parts.contradictions(con, entries, vehicle or None)
        titles = rule_titles(con)
        open_matters = [m for m in stop_use.matters(con, vehicle or None) if m.open]
    stays = parts.stays(entries)
    shown = [e for e in entries if e.holds or everything]
    if json:
        kept = {"entries": [asdict(e) for e in shown], "parts": [asdict(s) for s in stays]}
        screen.as_json(kept | {"contradictions": told, "open": [asdict(m) for m in open_matters]})
        return
    title = f"Service book of {vehicle}" if vehicle else "Service book"
    if shown:
        columns = COLUMNS if vehicle else ("vehicle", *COLUMNS)
        rows = [_row(e, titles) for e in shown]
        screen.table(
            title, columns, [row if vehicle else [e.vehicle, *row] for e, row in zip(shown, rows, strict=True)]
        )
    else:
        screen.say(f"{title}: nothing is entered. herdbook book add --help says how.")
    sitting = [s for s in stays if s.to_t is None]
    if sitting and vehicle:
        screen.say()
        screen.table(
            "Parts that sit in it",
            ("part", "serial", "batch", "supplier", "since"),
            [(s.part, s.serial, s.batch, s.supplier, s.day) for s in sitting],
        )
    for sentence in told:
        screen.say()
        screen.say(sentence + ".", style="bold")
    if open_matters:
        screen.say()
        screen.say("Stop-use findings that are open", style="bold")
        for told_of in stop_use.once(open_matters, utc_now()):
            m = told_of.row
            about = f"{m.rule} ({told_of.item})" if told_of.item else m.rule
            named = f"“{m.title}” ({about})" if m.title else about
            screen.point(f"{m.vehicle}: {named}, {m.words(utc_now())}.")


def add(
    vehicle: Annotated[str, typer.Argument(help="Vehicle as `herdbook fleet` lists it.", show_default=False)],
    kind: Annotated[str, typer.Argument(help=KINDS, show_default=False)],
    by: By = "",
    said: Annotated[str, typer.Option(help="What was said, found or done; histories quote it.")] = "",
    when: Annotated[str, typer.Option(help="2026-03-04, or 2026-03-04 14:30; else today. In the vehicle's zone.")] = "",
    rule: Annotated[str, typer.Option(help="The finding that it is about: its rule.")] = "",
    item: Annotated[str, typer.Option(help='Its item, like "cell 7"; else every item.')] = "",
    outcome: Annotated[
        str, typer.Option(help="Of an inspection: confirmed, refuted, undecided; of a removal: failed, sound.")
    ] = "",
    part: Annotated[str, typer.Option(help='Like "pack" or "motor left".')] = "",
    serial: Annotated[str, typer.Option(help="Serial number; of a firmware its version.")] = "",
    batch: Annotated[str, typer.Option(help="Batch of the part.")] = "",
    supplier: Annotated[str, typer.Option(help="Who made the part.")] = "",
    corrects: Annotated[int | None, typer.Option(help="Number of an entry that this one takes the place of.")] = None,
    store: StoreFolder = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Enter one thing that happened: a complaint, an inspection and its outcome, a repair, a part.

    A stop-use finding stays on every list until a repair or an inspection that refutes it names its rule. Entries are
    never changed: --corrects puts a new one in the place of an old one. JSON: as import.
    """
    from datetime import datetime

    from herdbook.pipeline.book import book
    from herdbook.pipeline.book.drafting import draft_of
    from herdbook.pipeline.book.entry import TYPED
    from herdbook.pipeline.errors import SettingsError
    from herdbook.pipeline.store.store import Store

    opened = Store.open(store)
    zone = book.zone_for(opened, vehicle)
    given = {
        "vehicle": vehicle,
        "kind": kind,
        "when": when or f"{datetime.now(zone):%Y-%m-%d}",
        "by": by,
        "said": said,
        "rule": rule,
    }
    given |= {"item": item, "outcome": outcome, "part": part, "serial": serial, "batch": batch, "supplier": supplier}
    given |= {"corrects": str(corrects) if corrects is not None else ""}
    try:
        draft = draft_of("the entry", given, lambda _: zone, source=TYPED)
    except ValueError as error:
        raise SettingsError(str(error), do="See: herdbook book add --help") from None
    _enter(opened, [draft], json)


def import_file(
    file: Annotated[Path, typer.Argument(help="A .csv, .xlsx or .toml file.", show_default=False)],
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Only say what would be entered or refused.")] = False,
    by: Annotated[str, typer.Option(help="Who stands for rows that name nobody.")] = "",
    encoding: Annotated[str, typer.Option(help="Of a CSV, like cp1252; else UTF-8.")] = "utf-8-sig",
    store: StoreFolder = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Enter a whole sheet: all of its rows or, when one is refused, none.

    Columns: vehicle, kind, when, by, part, serial, batch, supplier, rule, item, outcome, said, corrects; the first
    three are needed. Rows that the book has already are passed over, so that the same sheet can come again longer.
    JSON: entered (a list, see show), known (how many), refused (place, why); of a dry run also would_enter (how many).
    """
    from dataclasses import asdict
    from zoneinfo import ZoneInfo

    from herdbook.pipeline.book import book, table_file
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.store.store import Store

    opened = Store.open(store)
    zones = book.zones(opened)
    default = opened.settings.zone
    given = table_file.read_entries(file, lambda v: zones.get(v) or ZoneInfo(default), by=by, encoding=encoding)
    if given.refused or dry_run:
        refused, fresh = book.check(opened, given.drafts)
        refused = sorted([*given.refused, *refused], key=lambda r: int("".join(c for c in r.place if c.isdigit()) or 0))
        known = len(given.drafts) - len(fresh)
        if json:
            screen.as_json(
                {"entered": [], "would_enter": len(fresh), "known": known, "refused": [asdict(r) for r in refused]}
            )
        else:
            _refused(refused, str(file))
            if not refused:
                screen.say(f"{_entries(len(fresh))} would be made; {known:,} known already.")
        raise typer.Exit(4 if refused else 0)
    _enter(opened, given.drafts, json, str(file))


def strike(
    entry: Annotated[int, typer.Argument(help="Its number, as `herdbook book VEHICLE` shows it.", show_default=False)],
    by: By = "",
    why: Annotated[str, typer.Option(help="The reason.")] = "",
    store: StoreFolder = DEFAULT_STORE,
    json: Json = False,
) -> None:
    """Strike an entry out: it no longer holds, and stays readable with `herdbook book VEHICLE --all`."""
    from herdbook.pipeline.book import book
    from herdbook.pipeline.store.store import Store

    opened = Store.open(store)
    _enter(opened, [book.struck(opened, entry, by=by, why=why)], json)


def _enter(store: Store, drafts: Sequence[Draft], json: bool, where: str = "") -> None:
    from dataclasses import asdict

    from herdbook.pipeline.book import book
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.reports.facts import rule_titles

    refused, made = book.write(store, drafts)
    if json:
        known = len(drafts) - len(made) if not refused else 0
        screen.as_json({"entered": [asdict(e) for e in made], "known": known, "refused": [asdict(r) for r in refused]})
    elif refused:
        _refused(refused, where)
    else:
        known = len(drafts) - len(made)
        if len(made) > MOST_SHOWN:
            kinds = Counter(e.kind for e in made)
            told = ", ".join(f"{count:,} {kind}" for kind, count in kinds.most_common())
            of = f"of {len({e.vehicle for e in made}):,} vehicles"
            screen.say(f"Entered: {_entries(len(made))} {of} ({told}). They are shown by: herdbook book VEHICLE")
        elif made:
            with store.read() as con:
                titles = rule_titles(con)
            rows = [[e.vehicle, *_row(e, titles)] for e in made]
            screen.table(f"Entered: {_entries(len(made))}", ("vehicle", *COLUMNS), rows)
        if known:
            screen.say(f"{_entries(known)} stood in the book already.")
    if refused:
        raise typer.Exit(4)


def _entries(count: int) -> str:
    return f"{count:,} entr{'y' if count == 1 else 'ies'}"


def _refused(refused: Sequence[Refusal], where: str) -> None:
    """Each on a line of its own; nothing was entered."""
    from herdbook.pipeline.commands.terminal import screen

    if refused:
        of = f" of {where}" if where else ""
        screen.warn(f"Nothing{of} was entered. Wrong:")
        for one in refused:
            screen.warn(f"- {one.place}: {one.why.rstrip('.')}{'' if one.why.endswith('?') else '.'}")


def _row(e: Entry, titles: Mapping[str, str]) -> list[object]:
    said = e.said if e.holds or e.kind == "struck" else f"{e.said} [holds no longer]".strip()
    kind = f"{e.kind} no. {e.corrects}" if e.kind == "struck" else e.kind
    return [e.entry, e.when, kind, e.about(titles.get(e.rule, "")), said, e.made_by]
