"""Merging, expiry and repair of the lake: what people get stays the same, and nobody meets a missing file."""

from __future__ import annotations

import os
import shutil
from dataclasses import replace
from pathlib import Path

import pyarrow.parquet as pq
import pytest

import tests.toy.logs as toy
from herdbook.pipeline.errors import DamagedPartError
from herdbook.pipeline.lake.read import load_signals
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.times import DAY, HOUR
from herdbook.pipeline.upkeep.merge_and_expire import upkeep
from herdbook.pipeline.upkeep.repair import check, repair
from tests.toy.bench import DATA, NOW, RESULTS, Bench, answers

WIRES = "SELECT * EXCLUDE (log) FROM toy.pack ORDER BY ALL"


def parts(bench: Bench) -> list[str]:
    return sorted(p.relative_to(bench.store.lake.root).as_posix() for p in bench.store.lake.root.rglob("*.parquet"))


def in_the_widest_message(part: Path) -> int:
    """A byte of a page that holds values of one message alone: of a column that the others are too narrow for."""
    group = pq.ParquetFile(part).metadata.row_group(0)
    columns = [group.column(i) for i in range(group.num_columns)]
    last = max((c for c in columns if c.path_in_schema[0] == "c"), key=lambda c: str(c.path_in_schema))
    return int(last.data_page_offset + last.total_compressed_size - 20)


def fill(bench: Bench) -> None:
    for serial in (1, 2):
        for day in (0, 1, 2, 40):
            lines = toy.stretch(toy.T0 + day * DAY, 20, kmh=9, amps=-9, mode=2, serial=serial)
            toy.write(bench.inbox / f"{serial}-{day}.log", lines)
    bench.scan()


def test_months_are_merged_and_nothing_else_changes(bench: Bench) -> None:
    fill(bench)
    before, wires = answers(bench.store, RESULTS), bench.ask(WIRES)
    signal = load_signals(bench.store, "TOY-001", 0, 2**61)
    with bench.store.read() as reader:  # a shell left open from before
        done = upkeep(bench.store, NOW)
        assert (done.merged_logs, done.merged_into, done.deleted_files) == (6, 2, 0)
        assert reader.execute(WIRES).fetchall() == wires  # its files are still there
    assert bench.ask(WIRES) == wires
    assert answers(bench.store, RESULTS) == before
    again = load_signals(bench.store, "TOY-001", 0, 2**61)
    for key, series in signal.data.items():
        assert series.t.tobytes() == again.data[key].t.tobytes(), key
        assert series.v.tobytes() == again.data[key].v.tobytes(), key
    done = upkeep(bench.store, NOW + 49 * HOUR)
    assert (done.merged_logs, done.deleted_files, done.files) == (0, 6, 4)
    assert bench.ask(WIRES) == wires
    fingerprints = bench.ask("SELECT * FROM stretches ORDER BY ALL")
    toy.write(bench.inbox / "late.log", toy.stretch(toy.T0 + DAY + 60_000_000, 20, serial=1))
    bench.scan()  # a late log measures its own stretch again and no other
    assert len(set(fingerprints) - set(bench.ask("SELECT * FROM stretches ORDER BY ALL"))) == 1


def test_parts_expire_and_findings_stay(bench: Bench) -> None:
    fill(bench)
    before = answers(
        bench.store, {k: v for k, v in RESULTS.items() if k in ("sessions", "metrics", "events", "findings")}
    )
    bench.store = replace(bench.store, settings=replace(bench.store.settings, parts_days=250.0, grace_hours=48.0))
    assert upkeep(bench.store, NOW).expired_logs == 6
    done = upkeep(bench.store, NOW + 49 * HOUR)
    assert (done.expired_logs, done.deleted_files, done.files) == (0, 6, 2)
    assert answers(bench.store, {k: RESULTS[k] for k in before}) == before
    assert bench.ask("SELECT count(*) FROM logs") == [(8,)]
    assert len(load_signals(bench.store, "TOY-001", 0, 2**61).series("pack_voltage")) == 200
    # a late log beside an expired one is assessed without disturbing what was found
    toy.write(bench.inbox / "late.log", toy.stretch(toy.T0 + 10_000_000, 30, serial=1))
    bench.scan()
    kept = bench.ask("SELECT start_t, end_t, kind FROM sessions WHERE vehicle = 'TOY-001' ORDER BY 1")
    assert len(kept) == 5
    assert str(kept[1][0]) == "2026-03-01 08:00:19.920001"


def test_a_damaged_part_is_noticed_and_rebuilt(bench: Bench) -> None:
    fill(bench)
    before, wires = answers(bench.store, RESULTS), bench.ask(WIRES)
    victim, missing = (bench.store.lake.root / p for p in parts(bench)[:2])
    raw = bytearray(victim.read_bytes())
    raw[200] ^= 0xFF  # a bit flip in a page, not in the footer
    victim.write_bytes(bytes(raw))
    missing.unlink()
    troubles = check(bench.store)
    assert [(t.problem) for t in troubles] == ["damaged", "missing"]
    done = repair(bench.store, NOW)
    assert (done.rebuilt, done.lost) == (2, ())
    assert check(bench.store) == []
    bench.scan()
    assert answers(bench.store, RESULTS) == before
    assert bench.ask(WIRES) == wires


def test_a_bit_flip_is_never_read_as_data(bench: Bench) -> None:
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    bench.scan()
    part = bench.store.lake.root / parts(bench)[0]
    raw = bytearray(part.read_bytes())
    loaded = load_signals(bench.store, "TOY-007", 0, 2**61).data
    good = {key: (s.t.tobytes(), s.v.tobytes()) for key, s in loaded.items()}
    footer = len(raw) - int.from_bytes(raw[-8:-4], "little") - 8
    places = range(4, footer, 31)
    refused = 0
    for at in places:
        flipped = bytearray(raw)
        flipped[at] ^= 0x10
        part.write_bytes(bytes(flipped))
        try:
            found = load_signals(bench.store, "TOY-007", 0, 2**61)
        except DamagedPartError:
            refused += 1
        else:  # a flip in a column that no role asks for; its hash finds it
            assert {key: (s.t.tobytes(), s.v.tobytes()) for key, s in found.data.items()} == good
    assert refused > len(places) / 3


def test_a_part_whose_log_is_gone_too(bench: Bench) -> None:
    log = toy.write(bench.inbox / "a.log", toy.day())
    toy.write(bench.inbox / "b.log", toy.day(toy.T0 + DAY))
    bench.scan()
    sessions = bench.ask("SELECT * FROM sessions ORDER BY ALL")
    part = bench.ask("SELECT part FROM logs WHERE name = 'a.log'")[0][0]
    (bench.store.lake.root / part).write_bytes(b"PAR1 no more")
    log.unlink()
    done = repair(bench.store, NOW)
    assert done.rebuilt == 0
    assert [lost.path for lost in done.lost] == [str(log)]
    bench.scan()
    assert bench.ask("SELECT * FROM sessions ORDER BY ALL") == sessions


def test_a_damaged_part_stops_its_vehicle_only(bench: Bench) -> None:
    toy.write(bench.inbox / "1.log", toy.stretch(toy.T0, 20, serial=1))
    bench.scan()
    os.truncate(bench.store.lake.root / parts(bench)[0], 100)
    toy.write(bench.inbox / "2.log", toy.stretch(toy.T0 + 30_000_000, 20, serial=1))
    toy.write(bench.inbox / "3.log", toy.stretch(toy.T0, 20, serial=2))
    result = run_scan(bench.inbox, bench.store, jobs=0, now=NOW)
    assert list(result.failed) == ["TOY-001"]
    assert "herdbook store check --repair" in result.failed["TOY-001"]
    repair(bench.store, NOW)
    assert bench.scan().vehicles == 1


def test_logs_of_two_descriptions_stay_apart_in_one_view(tmp_path: Path) -> None:
    """The DBC was edited between two days of one month: each log keeps its own scale, before and after merging."""
    profiles = tmp_path / "profiles"
    shutil.copytree(DATA, profiles)
    bench = Bench(tmp_path, profiles)
    for day in (0, 1):
        toy.write(bench.inbox / f"{day}.log", toy.stretch(toy.T0 + day * DAY, 10))
    bench.scan()
    dbc = profiles / "toy.dbc"
    dbc.write_text(dbc.read_text().replace("(0.01,0) [0|655.35]", "(0.1,0) [0|6553.5]"))
    for day in (2, 3):
        toy.write(bench.inbox / f"{day}.log", toy.stretch(toy.T0 + day * DAY, 10))
    bench.scan()
    daily = "SELECT t::DATE, round(max(volt), 3) FROM toy.pack GROUP BY 1 ORDER BY 1"
    before = bench.ask(daily)
    assert [v for _, v in before] == [13.69, 13.69, 136.9, 136.9]
    done = upkeep(bench.store, NOW)
    assert (done.merged_logs, done.merged_into) == (4, 2)
    assert bench.ask(daily) == before


def test_a_damaged_month_whose_logs_are_gone_keeps_what_can_be_read(bench: Bench) -> None:
    """One bit flips in a merged month; the logs cannot be read just now. Nearly every row was readable before, and is
    after; what is lost is said, and the damaged file is kept."""
    fill(bench)
    upkeep(bench.store, NOW)
    upkeep(bench.store, NOW + 49 * HOUR)
    results = answers(bench.store, RESULTS)
    wires = {(v, t): rest for v, t, *rest in bench.ask("SELECT vehicle, t, * EXCLUDE (vehicle, t, log) FROM toy.pack")}
    month = next(p for p in parts(bench) if "/months/" in p)
    raw = bytearray((bench.store.lake.root / month).read_bytes())
    raw[in_the_widest_message(bench.store.lake.root / month)] ^= 0x10
    (bench.store.lake.root / month).write_bytes(bytes(raw))
    bench.inbox.rename(bench.folder / "away")
    done = repair(bench.store, NOW)
    (mended,) = done.mended
    assert Path(mended.aside).read_bytes() == bytes(raw)
    kept, rows = sum(log.kept for log in done.lost), sum(log.rows or 0 for log in done.lost)
    assert (rows, rows - kept) == (3 * 20 * 31, 3 * 20 * 10)  # one message of four, ten times a second
    assert all(f"of {log.rows} rows saved" in log.in_words for log in done.lost)
    assert check(bench.store) == []
    after = bench.ask("SELECT vehicle, t, * EXCLUDE (vehicle, t, log) FROM toy.pack")
    assert 0 < len(after) < len(wires)
    assert all(wires[v, t] == rest for v, t, *rest in after)  # fewer, never another
    assert len(bench.ask("SELECT * FROM log_faults WHERE kind = 'lost rows'")) == len(done.lost)
    assert len(load_signals(bench.store, "TOY-001", 0, 2**61).data) > 0
    (bench.folder / "away").rename(bench.inbox)
    bench.scan()
    now = answers(bench.store, RESULTS)
    assert {k: now[k] for k in ("sessions", "metrics", "findings")} == {
        k: results[k] for k in ("sessions", "metrics", "findings")
    }


def test_a_part_is_not_taken_away_before_its_replacement_stands(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk fills up, or we are killed, while its log is decoded again: what could be read can be read still."""
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    bench.scan()
    part = bench.store.lake.root / parts(bench)[0]
    raw = bytearray(part.read_bytes())
    raw[200] ^= 0x10
    part.write_bytes(bytes(raw))

    def killed(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("herdbook.pipeline.upkeep.repair.take_log", killed)
    with pytest.raises(KeyboardInterrupt):
        repair(bench.store, NOW)
    assert part.read_bytes() == bytes(raw)
    monkeypatch.undo()
    assert repair(bench.store, NOW).lost == ()
    assert check(bench.store) == []


def test_a_log_taken_again_never_makes_a_damaged_part_the_truth(bench: Bench) -> None:
    """A new sidecar has the log taken again; its part is there already, but it is not what it was."""
    log = toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    bench.scan()
    wires = bench.ask(WIRES)
    part = bench.store.lake.root / parts(bench)[0]
    raw = bytearray(part.read_bytes())
    raw[200] ^= 0x10
    part.write_bytes(bytes(raw))
    log.with_name("a.log.toml").write_text('batch = "B7"\n')
    bench.scan()
    assert check(bench.store) == []
    assert bench.ask(WIRES) == wires
