"""The invented fleet's service book, and the list of its vehicles that left no log here.

python -m demo_logs.write_book --seed 7 --out demo_logs/book      the same seed gives the same bytes

The couriers of Treppenau ride 120 more boards, on two routes: the stairs of the upper town and the flat river quarter.
What was drawn, and what `herdbook herd batches` should find in it:

- packs of batch P-8 fail six times as often a day as those of P-7, on either route: it is the batch;
- belts fail six times as often a day on the upper route, whatever their batch. Batch R-42 went mostly to the upper
  route, R-41 to the river: over all vehicles R-42 looks bad, within a route it is as good as R-41 (Simpson's trap).
- on 10 December every second board got a guard over its belts (a campaign): from then on they fail a quarter as often
  (`herdbook herd campaign "belt guard" --count repairs --part belt`).

The entries about vehicles with logs name findings that a scan of the committed logs tells; what people found agrees
with the truth of the simulator.
"""

from __future__ import annotations

import argparse
import csv
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path

import numpy as np

UPPER, RIVER = "Treppenau, upper town", "Treppenau, river quarter"
ZONE = "Europe/Vienna"
BUILT, END = date(2025, 6, 10), date(2026, 3, 25)
ON_A_ROUTE = 60  # boards
FIRST = 201  # number of the first of them
PACK_A_DAY = {"P-7": 1 / 2400, "P-8": 1 / 400}
BELT_A_DAY = {UPPER: 1 / 300, RIVER: 1 / 1800}
GUARD, GUARDED_FROM, STILL_FAIL = "belt guard BG-2 fitted", date(2025, 12, 10), 0.25
SUPPLIER = {"pack": "Zellwerk", "belt": "Riemen Moll"}
R42_OF_TEN = {UPPER: 8, RIVER: 2}  # boards of ten that got belts of R-42
HEAD = ("vehicle", "kind", "when", "by", "part", "serial", "batch", "supplier", "rule", "item", "outcome", "said")
LIST_HEAD = ("vehicle", "batch", "built", "in_service", "zone", "customer_ref")
Row = dict[str, str]

WORKSHOP, RIDER = "workshop", "rider"
OF_LOGGED = (  # vehicle, kind, day, by, rule, item, outcome, said
    ("ZB-0101", "complaint", "2026-03-20", "service desk", "", "", "", "creaks under the deck on cobbles"),
    ("ZB-0101", "inspection", "2026-03-21", WORKSHOP, "", "", "", "a loose screw of the deck, tightened"),
    ("ZB-0102", "complaint", "2026-03-12", RIDER, "", "", "", "stops on the way up although the display says 20 %"),
    ("ZB-0102", "to inspection", "2026-03-16", "night desk", "group_under_voltage", "cell 5", "", "on its way"),
    ("ZB-0102", "inspection", "2026-03-18", WORKSHOP, "out_of_balance", "cell 5", "confirmed", "group 5 low by 2 Ah"),
    ("ZB-0103", "inspection", "2026-03-20", WORKSHOP, "weak_group", "cell 8", "confirmed", "a weld had let go"),
    ("ZB-0104", "inspection", "2026-03-13", WORKSHOP, "hot_for_load", "", "confirmed", "joint at sensor 3 discoloured"),
    ("ZB-0104", "repair", "2026-03-14", WORKSHOP, "hot_for_load", "", "", "joint cleaned and bolted anew"),
    ("ZB-0105", "complaint", "2026-03-19", RIDER, "regen_dropout", "", "", "the brake lets go for a moment downhill"),
    ("ZB-0105", "acknowledged", "2026-03-21", "night desk", "regen_dropout", "", "", "called before the morning round"),
    ("ZB-0105", "inspection", "2026-03-23", WORKSHOP, "regen_dropout", "", "confirmed", "chafed wire in the loom"),
    ("ZB-0108", "inspection", "2026-03-23", WORKSHOP, "leaking_group", "cell 2", "confirmed", "3.2 V after a week"),
    ("SM-0202", "inspection", "2026-03-09", WORKSHOP, "regen_refused_unexplained", "", "undecided", "nothing to see"),
    ("SM-0203", "inspection", "2026-03-14", WORKSHOP, "loose_sense_wire", "cells 6-7", "confirmed", "crimp loose"),
)


def routes() -> list[tuple[str, str]]:
    """Each board and its route, the two routes in turn."""
    return [(f"ZB-{FIRST + i:04d}", (UPPER, RIVER)[i % 2]) for i in range(2 * ON_A_ROUTE)]


def vehicles() -> Iterator[Row]:
    for vehicle, route in routes():
        facts = ("2025-06 A", BUILT.isoformat(), (BUILT + timedelta(days=20)).isoformat(), ZONE, route)
        yield dict(zip(LIST_HEAD, (vehicle, *facts), strict=True))


def entries(seed: int) -> list[Row]:
    """In order of time."""
    rng = np.random.default_rng(seed)
    rows = [_entry(*told) for told in OF_LOGGED]
    for number, (vehicle, route) in enumerate(routes()):
        turn = number // 2 % 10  # of ten on a route, whatever the pack
        guard = np.random.default_rng([seed, number]) if number // 2 % 2 == 0 else None
        if guard is not None:
            rows.append(_entry(vehicle, "campaign", GUARDED_FROM.isoformat(), WORKSHOP, "", "", "", GUARD))
        pack = "P-8" if number // 2 % 3 == 0 else "P-7"
        belt = "R-42" if turn < R42_OF_TEN[route] else "R-41"
        for place, batch, a_day, why in (
            ("pack", pack, PACK_A_DAY[pack], "range down to half"),
            ("belt left", belt, BELT_A_DAY[route], "teeth sheared"),
            ("belt right", belt, BELT_A_DAY[route], "teeth sheared"),
        ):
            rows += _lives(rng, None if place == "pack" else guard, _Place(vehicle, place, batch, a_day, why))
    return sorted(rows, key=lambda r: (r["when"], r["vehicle"], r["kind"] == "fitted", r["part"]))


@dataclass(frozen=True)
class _Place:
    """Of one vehicle: what sits there, how often it fails, and what is said then."""

    vehicle: str
    part: str
    batch: str
    a_day: float
    why: str


def _lives(rng: np.random.Generator, guard: np.random.Generator | None, at: _Place) -> Iterator[Row]:
    """The part that was built in and all that took its place, from the same batch, until the book ends. guard: draws
    which failures a campaign keeps off; failures come evenly in time, so that the part goes on as if new."""
    day, number, kept_off = BUILT, 1, False
    while True:
        serial = f"{at.batch}-{at.vehicle[3:]}{at.part[5:6].upper()}{number}"
        if not kept_off:
            supplier = SUPPLIER[at.part[:4]]
            yield _part(at.vehicle, "fitted", day, at.part, serial, batch=at.batch, supplier=supplier)
        day += timedelta(days=int(rng.exponential(1 / at.a_day)) + 1)
        if day > END:
            return
        complains = rng.random() < 0.4
        kept_off = guard is not None and day > GUARDED_FROM and guard.random() >= STILL_FAIL
        if kept_off:
            continue
        if complains:
            yield _entry(at.vehicle, "complaint", day.isoformat(), RIDER, "", "", "", at.why)
        yield _part(at.vehicle, "removed", day, at.part, serial, outcome="failed", said=at.why)
        number += 1


def _part(vehicle: str, kind: str, day: date, part: str, serial: str, **more: str) -> Row:
    given = {"vehicle": vehicle, "kind": kind, "when": day.isoformat(), "by": WORKSHOP, "part": part, "serial": serial}
    return dict.fromkeys(HEAD, "") | given | more


def _entry(*told: str) -> Row:
    """told: vehicle, kind, day, by, rule, item, outcome, said."""
    names = ("vehicle", "kind", "when", "by", "rule", "item", "outcome", "said")
    return dict.fromkeys(HEAD, "") | dict(zip(names, told, strict=True))


def write_book(seed: int, out: Path) -> None:
    out.mkdir(parents=True, exist_ok=True)
    for name, head, rows in (("vehicles.csv", LIST_HEAD, list(vehicles())), ("book.csv", HEAD, entries(seed))):
        with (out / name).open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, head, lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)


def main() -> None:
    parser = argparse.ArgumentParser(prog="python -m demo_logs.write_book", description=__doc__)
    parser.add_argument("--seed", type=int, default=7, help="same seed, same bytes")
    parser.add_argument("--out", type=Path, required=True, help="folder for vehicles.csv and book.csv")
    args = parser.parse_args()
    write_book(args.seed, args.out)


if __name__ == "__main__":
    main()
