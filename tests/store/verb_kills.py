"""Kill every verb that writes, at random instants, and run it again: all tables and parts are as if nothing had been.

A campaign over all of them: tests/store/kill_campaign.py.

Each trial puts the same store at the same place, starts the verb in a process of its own, kills it with SIGKILL at a
random instant (every second time: just after it made its first file), starts it again, and so on until it gets through.
After each kill what lies beside the store is whole or not there; in the end every table of the catalogue and of the
published copy, every part in use, and every file that was written are equal to those of an undisturbed run.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import random
import shutil
import time
from collections.abc import Callable
from datetime import date
from multiprocessing.process import BaseProcess
from pathlib import Path
from zoneinfo import ZoneInfo

import tests.toy.logs as toy
from herdbook.pipeline.assess.fit_reference import refit
from herdbook.pipeline.book import book
from herdbook.pipeline.book.drafting import draft_of
from herdbook.pipeline.book.table_file import read_entries
from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.intake.corrections import forget, give
from herdbook.pipeline.night import mutes
from herdbook.pipeline.night.again import reassess, redecode, retry_quarantine
from herdbook.pipeline.night.scan import run_scan, run_take
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.record_files import LEDGER, TABLES
from herdbook.pipeline.store.settle import MERGED
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import DAY, from_micros
from herdbook.pipeline.upkeep.merge_and_expire import upkeep
from herdbook.pipeline.upkeep.repair import repair
from tests.flows.same import contents, lake
from tests.night.tables import stands
from tests.store import typed_verbs
from tests.toy.bench import DATA, NOW, Bench

HANGS_S = 300.0
WRITING_S = 0.05  # after the first file of a verb came or went
SHEET = 2000  # entries of the service book that one import brings
UNTIL = date(2026, 12, 20)
PRELOAD = ["herdbook.pipeline.night.scan", "pyarrow.parquet", "herdbook.pipeline.assess.assess", "cantools.database"]
PRELOAD += ["tests.store.typed_verbs", "herdbook.pipeline.reports", "herdbook.pipeline.night.look"]


def made(here: Path) -> None:
    """A scanned store of two vehicles, one log in quarantine, a second inbox with new logs."""
    shutil.copytree(DATA, here / "profiles")
    bench = Bench(here, here / "profiles")
    for serial in (1, 2):
        for day in (0, 1, 40):
            lines = toy.stretch(toy.T0 + day * DAY, 20, kmh=9, amps=-9, mode=2, serial=serial)
            toy.write(bench.inbox / f"{serial}-{day}.log", lines)
        toy.write(here / "more" / f"{serial}.log", toy.stretch(toy.T0 + 41 * DAY, 20, serial=serial))
    toy.write(bench.inbox / "junk.log", ["nothing of use"] * 9)
    bench.scan()
    with transaction(bench.store.catalogue) as con:
        stands(con, "TOY-001", "r", "service")
    publish(bench.store)


def _hush(here: Path) -> None:
    mutes.mute(_store(here), "TOY-001", "r", UNTIL, by="desk", why="part is ordered", now=from_micros(NOW))


def _damage(here: Path) -> None:
    """A part of the vehicle without an entered finding: when a repair is killed after the part stands again, nothing is
    damaged any more, and nobody needs to be judged."""
    with transaction(here / "store" / "catalogue.duckdb") as con:
        asked = "SELECT p.part FROM parts p JOIN logs USING (log) WHERE vehicle = 'TOY-002' ORDER BY p.part LIMIT 1"
        part = here / "store" / "lake" / con.execute(asked).fetchall()[0][0]
    raw = bytearray(part.read_bytes())
    raw[200] ^= 0x10
    part.write_bytes(bytes(raw))


def _new_dbc(here: Path) -> None:
    dbc = here / "profiles" / "toy.dbc"
    dbc.write_text(dbc.read_text().replace("(0.01,0) [0|655.35]", "(0.02,0) [0|1310.7]"))


def _expiring(here: Path) -> None:
    with (here / "store" / "herdbook.toml").open("a") as file:
        file.write("[keep]\nparts_days = 250\n")


def _settling(here: Path) -> None:
    with (here / "store" / "herdbook.toml").open("a") as file:
        file.write("[keep]\nyoung_rows = 0\n")


def _to_merge(here: Path) -> None:
    """As many files of the record as are merged, and one night more in the catalogue."""
    _settling(here)
    for night in range(MERGED - 1):
        log = toy.write(here / "inbox" / f"night-{night}.log", toy.stretch(toy.T0 + (50 + night) * DAY, 20, serial=1))
        os.utime(log, (NOW // 1_000_000, NOW // 1_000_000))  # each time the same
        run_scan(here / "inbox", _store(here), jobs=0, now=NOW)


def _store(here: Path) -> Store:
    return Store.open(here / "store")


def _publish(here: Path) -> None:
    store = _store(here)
    with store.lock("publish"):
        publish(store)


def _mend(here: Path) -> None:
    """With the scan that it asks for."""
    repair(_store(here), NOW)
    run_scan(here / "inbox", _store(here), jobs=0, now=NOW)


def _refit(here: Path) -> None:
    store = _store(here)
    with store.lock("refit of the reference"):
        refit(store)


def _lift(here: Path) -> None:
    mutes.lift(_store(here), "TOY-001", "r", by="desk", why="came", now=from_micros(NOW + DAY))


def _give(here: Path) -> None:
    with contextlib.suppress(SettingsError):  # it is said already: an earlier try got through
        give(_store(here), "1-40.log", "TOY-002", by="desk", why="wrong folder", now=from_micros(NOW))


def _forget(here: Path) -> None:
    with contextlib.suppress(SettingsError):
        forget(_store(here), "1-40.log", by="desk", why="a bench run", now=from_micros(NOW))


def _sheet(here: Path) -> None:
    """Two thousand entries to come."""
    with (here / "book.csv").open("w", encoding="utf-8") as file:
        file.write("vehicle,kind,when,by,said\n")
        file.writelines(f"TOY-00{1 + i % 2},note,2026-03-04,desk,no. {i}\n" for i in range(SHEET))


def _import(here: Path) -> None:
    given = read_entries(here / "book.csv", lambda _: ZoneInfo("Europe/Vienna"))
    refused, _ = book.write(_store(here), given.drafts, from_micros(NOW))
    assert not given.refused
    assert not refused


def _add(here: Path) -> None:
    given = {"vehicle": "TOY-001", "kind": "repair", "when": "2026-03-04", "by": "desk", "rule": "r", "said": "mended"}
    draft = draft_of("the entry", given, lambda _: ZoneInfo("Europe/Vienna"))
    refused, _ = book.write(_store(here), [draft], from_micros(NOW))
    assert not refused


def _strike(here: Path) -> None:
    store, now = _store(here), from_micros(NOW + DAY)
    with contextlib.suppress(SettingsError):  # an earlier try struck it
        refused, _ = book.write(store, [book.struck(store, 1, by="desk", why="wrong vehicle", now=now)], now)
        assert not refused
    _publish(here)


def entered(here: Path) -> int:
    """Entries of the service book, by the catalogue itself."""
    return len(contents(here / "store" / "catalogue.duckdb").get("service_book", []))


def _corrected(here: Path) -> None:
    """The scan that takes a correction up."""
    run_scan(here / "inbox", _store(here), jobs=0, now=NOW + DAY)


def _nothing(_: Path) -> None:
    pass


Step = Callable[[Path], object]
VERBS: dict[str, tuple[Step, Step]] = {  # what is there before, and the verb
    "take": (_nothing, lambda here: run_take(here / "more", _store(here), jobs=0)),
    "scan": (_nothing, lambda here: run_scan(here / "more", _store(here), jobs=0, now=NOW)),
    "quarantine --retry": (_nothing, lambda here: retry_quarantine(_store(here), jobs=0)),
    "backfill": (_nothing, lambda here: reassess(_store(here), jobs=0)),
    "store redecode": (_new_dbc, lambda here: redecode(_store(here), jobs=0)),
    "store upkeep": (_nothing, lambda here: upkeep(_store(here), NOW)),
    "store upkeep, expiring": (_expiring, lambda here: upkeep(_store(here), NOW)),
    "store check --repair": (_damage, _mend),
    "store publish": (_nothing, _publish),
    "store refit": (_nothing, _refit),
    "mute": (_nothing, _hush),
    "mute --lift": (_hush, _lift),
    "correct --to": (_nothing, _give),
    "correct --forget": (_nothing, _forget),
    "scan after a correction": (_give, _corrected),
    "book import": (_sheet, _import),
    "book add": (_nothing, _add),
    "book strike": (_add, _strike),
    "scan, its rows moved": (_settling, lambda here: run_scan(here / "more", _store(here), jobs=0, now=NOW)),
    "store upkeep, files merged": (_to_merge, lambda here: upkeep(_store(here), NOW)),
    **typed_verbs.VERBS,
}


def run(verb: str, here: Path) -> None:
    VERBS[verb][1](here)


def everything(here: Path) -> dict[str, object]:
    """Every table of both files, but for moments, every part in use, and what lies beside the store."""
    store = here / "store"
    found: dict[str, object] = {"parts": lake(store), "key": typed_verbs.keys(here)}
    found |= {"beside": typed_verbs.beside(here), "prepared": typed_verbs.prepared(here)}
    for name in ("catalogue.duckdb", "fleet.duckdb"):
        left_out = ("mutes", "record_files", "record_removed", "record_retired", "ledger_removed")
        found |= {f"{name} {table}": rows for table, rows in contents(store / name).items() if table not in left_out}
        found[f"{name} mutes"] = len(contents(store / name)["mutes"])
    with Store.open(store).read() as con:  # numbers of files differ: a number that was drawn is never given again
        for kind in (*TABLES, *LEDGER):
            found[f"record {kind}"] = con.execute(f"SELECT * FROM {kind} ORDER BY ALL").fetchall()
    return found


def survive(
    verb: str, kills: int, rng: random.Random, folder: Path, look: Callable[[Path], object] | None = None
) -> int:
    """Kill until `kills` are done and the verb has got through; how many kills. look: called after each kill."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(PRELOAD)
    here, kept = folder / "here", folder / "kept"
    if not kept.exists():
        made(here)
        shutil.copytree(here, kept)

    def again() -> None:
        shutil.rmtree(here)
        shutil.copytree(kept, here)
        VERBS[verb][0](here)

    def started() -> multiprocessing.context.ForkServerProcess:
        process = context.Process(target=run, args=(verb, here))
        process.start()
        return process

    again()
    begun = time.monotonic()
    calm = started()
    calm.join(HANGS_S)
    assert calm.exitcode == 0, f"{verb}: {calm.exitcode}"
    length, expected = time.monotonic() - begun, everything(here)
    done = 0
    while done < kills:
        again()
        while True:
            names = _names(here)
            process = started()
            if done % 2 and done < kills:
                _until_it_writes(process, here, names, length)
                process.join(rng.uniform(0, WRITING_S))
            else:
                process.join(rng.uniform(0, length) if done < kills else HANGS_S)
            if process.exitcode is not None:
                assert process.exitcode == 0, f"{verb} after {done} kills"
                break
            process.kill()
            process.join()
            done += 1
            typed_verbs.beside(here)  # what stands there is whole
            if look:
                look(here)
        found = everything(here)
        for name in expected:
            assert found[name] == expected[name], f"{verb}: {name} after {done} kills"
    return done


def _names(here: Path) -> set[str]:
    return {os.path.join(folder, name) for folder, _, names in os.walk(here) for name in names}


def _until_it_writes(process: BaseProcess, here: Path, before: set[str], length: float) -> None:
    """Until a file came or went; a verb that writes none is waited for as long as it takes."""
    end = time.monotonic() + 2 * length
    while process.exitcode is None and _names(here) == before and time.monotonic() < end:
        time.sleep(0.001)
