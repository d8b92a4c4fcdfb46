"""What fleets really send: each kind of bad data is met with a log made bad in that way, and is told, not mended."""

from __future__ import annotations

import gzip
import hashlib
import os
import shutil
from dataclasses import replace
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.intake.outcome import TakenLog
from herdbook.pipeline.intake.take_log import take_log
from herdbook.pipeline.lake.read import load_signals
from herdbook.pipeline.night.again import outdated, redecode
from tests.toy.bench import DATA, NOW, Bench

DAY = 86_400_000_000
EVER = (0, 2**61)


# files that are no use


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"", "the file is empty"),
        (b"\x00\x01\x02 not a log at all" * 99, "no reader recognises the content"),
        (b"(1772352000.000000) can0 20000004#0001000000000000\n" * 20, "no data frames"),
        (b"(1772352000.000000) can0 7AA#00\n" * 50, "knows the identifiers of only 0%"),
        (b"(1772352000.000000) can0 100#0000000000000000\n" * 20, "nothing says which vehicle"),
    ],
)
def test_useless_files_are_kept_aside_with_the_reason(bench: Bench, content: bytes, said: str) -> None:
    log = toy.write(bench.inbox / "x.log", [])
    log.write_bytes(content)
    os.utime(log, (1_700_000_000, 1_700_000_000))
    result = bench.scan()
    assert (result.logs_new, result.quarantined) == (0, 1)
    assert said in bench.reasons()["x.log"]
    assert bench.ask("SELECT advice <> '' FROM quarantine") == [(True,)]
    assert log.exists()


def test_a_log_cut_in_half_keeps_its_good_half_and_says_so(bench: Bench) -> None:
    whole = "\n".join(toy.stretch(toy.T0, 60)).encode()
    cut = whole.rfind(b"\n", 0, len(whole) // 2) + 31  # within a line, after half a byte
    log = toy.write(bench.inbox / "cut.log", [])
    log.write_bytes(whole[:cut])
    os.utime(log, (1_700_000_000, 1_700_000_000))
    good = whole[:cut].count(b"\n")
    bench.scan()
    frames, status, lost = bench.ask("SELECT frames, status, lost_bytes FROM logs")[0]
    assert (frames, status) == (good, "partial")
    assert lost > 0
    faults = dict(bench.ask("SELECT kind, first_offset FROM log_faults"))
    assert faults == {"lost line": cut - 30}


def test_garbage_between_good_lines_is_counted(bench: Bench) -> None:
    lines = toy.stretch(toy.T0, 20)
    lines[100:100] = ["%%% brown-out %%%", "more of it"]
    toy.write(bench.inbox / "g.log", lines)
    bench.scan()
    assert bench.ask("SELECT frames, status FROM logs") == [(620, "partial")]


def test_a_damaged_archive_keeps_what_unpacks(bench: Bench) -> None:
    packed = gzip.compress("\n".join(toy.stretch(toy.T0, 300)).encode())
    log = toy.write(bench.inbox / "p.log.gz", [])
    log.write_bytes(packed[: len(packed) * 2 // 3])
    os.utime(log, (1_700_000_000, 1_700_000_000))
    bench.scan()
    frames, status = bench.ask("SELECT frames, status FROM logs")[0]
    assert 1000 < frames < 9300
    assert status == "partial"


# identity


def test_contradictions_and_unset_serials_are_refused(bench: Bench) -> None:
    lines = toy.stretch(toy.T0, 20)
    toy.sidecar(toy.write(bench.inbox / "says-8.log", lines), 'vehicle = "TOY-008"\n')
    toy.write(bench.inbox / "TOY-009" / "path.log", toy.stretch(toy.T0 + DAY, 20))
    toy.write(bench.inbox / "unset.log", toy.stretch(toy.T0, 20, serial=0xFFFFFFFF))
    merged = toy.stretch(toy.T0, 20) + toy.stretch(toy.T0 + 20_000_000, 20, serial=8)
    toy.write(bench.inbox / "merged.log", merged)
    bench.scan()
    said = bench.reasons()
    assert "the sidecar says 'TOY-008', but the bus says 'TOY-007'" in said["says-8.log"]
    assert "the path says 'TOY-009', but the bus says 'TOY-007'" in said["path.log"]
    assert "nothing says which vehicle" in said["unset.log"]
    assert "several vehicles: serials 7, 8" in said["merged.log"]


def test_a_mended_sidecar_is_enough_to_try_again(bench: Bench) -> None:
    log = toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20, serial=0))
    bench.scan()
    assert "nothing says which vehicle" in bench.reasons()["a.log"]
    toy.sidecar(log, 'vehicle = "TOY-001"\nbatch = "B7"\nbuilt = 2025-11-03\nin_service = 2026-02-01\n')
    result = bench.scan()
    assert (result.logs_new, result.quarantined) == (1, 0)
    assert bench.reasons() == {}
    rows = bench.ask("SELECT vehicle, batch, built::VARCHAR, in_service::VARCHAR, in_service_by FROM vehicles")
    assert rows == [("TOY-001", "B7", "2025-11-03", "2026-02-01", "sidecar")]


def test_a_late_sidecar_that_contradicts_takes_the_log_out_of_use(bench: Bench) -> None:
    """Until a person decides, the log is nobody's: nothing of it is shown under the other vehicle."""
    log = toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    toy.write(bench.inbox / "b.log", toy.stretch(toy.T0 + DAY, 20))
    bench.scan()
    both, wires = bench.ask("SELECT count(*) FROM sessions"), bench.ask("SELECT count(*) FROM toy.pack")
    toy.sidecar(log, 'vehicle = "TOY-008"\n')
    assert bench.scan().quarantined == 1
    assert "the sidecar says 'TOY-008', but the bus says 'TOY-007'" in bench.reasons()["a.log"]
    assert bench.ask("SELECT name FROM logs") == [("b.log",)]
    assert bench.ask("SELECT start_t::DATE::VARCHAR FROM sessions") == [("2026-03-02",)]
    assert bench.ask("SELECT count(*) FROM toy.pack") == [(200,)]
    toy.sidecar(log, 'vehicle = "TOY-007"\n')
    assert bench.scan().logs_new == 1
    assert bench.ask("SELECT count(*) FROM sessions") == both
    assert bench.ask("SELECT count(*) FROM toy.pack") == wires


def test_a_sidecar_with_a_slip_takes_nothing_out_of_use(bench: Bench) -> None:
    log = toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20))
    bench.scan()
    toy.sidecar(log, "vehicle = ")
    assert bench.scan().quarantined == 1
    assert bench.ask("SELECT name FROM logs") == [("a.log",)]


def test_a_renamed_vehicle_leaves_nothing_under_its_old_name(bench: Bench) -> None:
    log = toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 20, serial=0))
    toy.sidecar(log, 'vehicle = "TOY-001"\n')
    bench.scan()
    toy.sidecar(log, 'vehicle = "TOY-0002"\n')
    bench.scan()
    for table in ("vehicles", "sessions", "scores", "metrics"):
        assert bench.ask(f"SELECT DISTINCT vehicle FROM {table}") in ([("TOY-0002",)], []), table


def test_pack_moves_between_vehicles(bench: Bench) -> None:
    toy.write(bench.inbox / "1.log", toy.stretch(toy.T0, 20, serial=1, pack_serial=501))
    toy.write(bench.inbox / "3.log", toy.stretch(toy.T0 + 2 * DAY, 20, serial=1, pack_serial=501))
    toy.write(bench.inbox / "2.log", toy.stretch(toy.T0 + DAY, 20, serial=1, pack_serial=502))
    toy.write(bench.inbox / "4.log", toy.stretch(toy.T0 + DAY, 20, serial=2, pack_serial=501))
    bench.scan()
    rows = bench.ask("SELECT vehicle, serial, from_t::DATE::VARCHAR FROM installs ORDER BY vehicle, from_t")
    assert rows == [
        ("TOY-001", "501", "2026-03-01"),
        ("TOY-001", "502", "2026-03-02"),
        ("TOY-001", "501", "2026-03-03"),
        ("TOY-002", "501", "2026-03-02"),
    ]
    assert bench.ask("SELECT * FROM serial_conflicts") == []


def test_a_serial_whose_format_is_given_later_is_no_other_part(tmp_path: Path) -> None:
    bench = Bench(tmp_path, Path(shutil.copytree(DATA, tmp_path / "profiles")))
    toy.write(bench.inbox / "1.log", toy.stretch(toy.T0, 20, pack_serial=513))
    bench.scan()
    assert bench.ask("SELECT serial FROM installs WHERE component = 'pack'") == [("513",)]
    profile = bench.store.profiles()[0].path
    said = 'pack_serial = { signal = "Ident.PackSerial", format = "{[8..15]}.{[0..7]}" }'
    profile.write_text(profile.read_text().replace('pack_serial = "Ident.PackSerial"', said))
    toy.write(bench.inbox / "2.log", toy.stretch(toy.T0 + DAY, 20, pack_serial=513))
    bench.scan()
    assert bench.ask("SELECT serial, from_t::DATE::VARCHAR FROM installs WHERE component = 'pack'") == [
        ("2.1", "2026-03-01")
    ]


def test_a_cloned_serial_is_told(bench: Bench) -> None:
    """The same pack in two vehicles at the same time cannot be."""
    toy.write(bench.inbox / "1.log", toy.stretch(toy.T0, 20, serial=1))
    toy.write(bench.inbox / "2.log", toy.stretch(toy.T0 + 5_000_000, 20, serial=2))
    bench.scan()
    rows = bench.ask("SELECT component, serial, vehicle, other_vehicle FROM serial_conflicts")
    assert rows == [("pack", "501", "TOY-001", "TOY-002")]


def test_the_same_bytes_for_two_vehicles(bench: Bench) -> None:
    lines = toy.stretch(toy.T0, 20, serial=0)
    toy.sidecar(toy.write(bench.inbox / "a.log", lines), 'vehicle = "TOY-001"\n')
    bench.scan()
    toy.sidecar(toy.write(bench.inbox / "b.log", lines), 'vehicle = "TOY-002"\n')
    bench.scan()
    assert bench.ask("SELECT vehicle FROM logs") == [("TOY-001",)]
    kind, detail = bench.ask("SELECT kind, detail FROM log_faults")[0]
    assert kind == "claimed twice"
    assert "TOY-002" in detail


# overlap


def test_two_loggers_with_clocks_of_their_own_count_once(bench: Bench) -> None:
    """The second logger hears the same 60 s, 37 ms later by its clock: 600 samples, not 1200."""
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 60))
    late = toy.stretch(toy.T0 + 37_000, 60)
    toy.write(bench.inbox / "b.log", late[:-1])
    bench.scan()
    assert 598 <= len(load_signals(bench.store, "TOY-007", *EVER).series("pack_voltage")) <= 602


def test_frames_shared_out_over_two_logs_are_all_used(bench: Bench) -> None:
    lines = toy.stretch(toy.T0, 60)
    toy.write(bench.inbox / "TOY-007" / "a.log", lines[0::2])
    toy.write(bench.inbox / "TOY-007" / "b.log", lines[1::2])
    bench.scan()
    assert len(load_signals(bench.store, "TOY-007", *EVER).series("pack_voltage")) == 600


# decoding


def test_firmware_changed_the_dbc(tmp_path: Path) -> None:
    """From June on the voltage is sent in units of 0.1 V: each log is decoded with what was valid then."""
    profiles = tmp_path / "profiles"
    profiles.mkdir()
    dbc, toml = (DATA / "toy.dbc").read_text(), (DATA / "toy.toml").read_text()
    (profiles / "toy.dbc").write_text(dbc)
    (profiles / "toy2.dbc").write_text(dbc.replace("(0.01,0) [0|655.35]", "(0.1,0) [0|6553.5]"))
    (profiles / "toy.toml").write_text(toml.replace("[vehicle]", "[valid]\nto = 2026-06-01\n[vehicle]"))
    new = toml.replace('name = "toy"', 'name = "toy2"\nfamily = "toy"').replace("toy.dbc", "toy2.dbc")
    (profiles / "toy2.toml").write_text(new.replace("[vehicle]", "[valid]\nfrom = 2026-06-01\n[vehicle]"))
    bench = Bench(tmp_path / "b")
    shutil.rmtree(bench.store.folder)
    bench.store = bench.store.create(tmp_path / "b" / "store", profiles)
    toy.write(bench.inbox / "old.log", toy.stretch(toy.T0, 10))
    toy.write(bench.inbox / "new.log", toy.stretch(toy.T0 + 100 * DAY, 10))
    bench.scan()
    assert bench.ask("SELECT name, profile FROM logs ORDER BY start_t") == [("old.log", "toy"), ("new.log", "toy2")]
    signal = load_signals(bench.store, "TOY-007", *EVER).series("pack_voltage")
    assert signal.v[0] == pytest.approx(13.2)
    assert signal.v[-1] == pytest.approx(136.9)
    assert bench.ask("SELECT max(volt) FROM toy2.pack") == [(pytest.approx(136.9),)]


def test_wrong_profile_names_the_nearest(tmp_path: Path) -> None:
    profiles = tmp_path / "profiles"
    profiles.mkdir()
    dbc, toml = (DATA / "toy.dbc").read_text(), (DATA / "toy.toml").read_text()
    (profiles / "toy.dbc").write_text(dbc)
    (profiles / "toy.toml").write_text(toml)
    for old, moved in ((256, 1256), (257, 1257), (258, 1258)):
        dbc = dbc.replace(f"BO_ {old} ", f"BO_ {moved} ")
    (profiles / "other.dbc").write_text(dbc)
    (profiles / "other.toml").write_text(toml.replace('"toy"', '"other"').replace("toy.dbc", "other.dbc"))
    bench = Bench(tmp_path / "b")
    shutil.rmtree(bench.store.folder)
    bench.store = bench.store.create(tmp_path / "b" / "store", profiles)
    toy.sidecar(toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 10)), 'profile = "other"\n')
    toy.sidecar(toy.write(bench.inbox / "b.log", toy.stretch(toy.T0 + DAY, 10)), 'profile = "nope"\n')
    bench.scan()
    assert "other knows the identifiers of only 3% of the frames; toy knows 100%" in bench.reasons()["a.log"]
    assert "names profile 'nope', which there is not" in bench.reasons()["b.log"]


def test_placeholders_and_impossible_values_are_not_numbers(bench: Bench) -> None:
    lines = [*toy.stretch(toy.T0, 5), toy.pack(toy.T0 + 6_000_000, 655.35, 0, 127.5, 9, temp=-3276.8)]
    toy.write(bench.inbox / "a.log", lines)
    bench.scan()
    signals = load_signals(bench.store, "TOY-007", *EVER)
    for role in ("pack_voltage", "pack_soc", "bms_state", "bms_temp"):
        series = signals.series(role)
        assert len(series) == 51, role
        assert series.v[-1] != series.v[-1], role
        assert series.v[0] == series.v[0], role


def test_bench_data_is_tagged(bench: Bench) -> None:
    toy.sidecar(toy.write(bench.inbox / "a.log", toy.day()), "bench = true\n")
    bench.scan()
    assert bench.ask("SELECT kind FROM sessions") == [("bench",)]


def test_frames_too_short_and_unknown_are_counted(bench: Bench) -> None:
    lines = [*toy.stretch(toy.T0, 5), toy.frame(toy.T0 + 6_000_000, 0x100, b"\x01\x02\x03")]
    lines += [toy.frame(toy.T0 + 6_000_000, 0x555, b"\x01")] * 3
    toy.write(bench.inbox / "a.log", lines)
    bench.scan()
    rows = bench.ask("SELECT kind, message, count FROM log_faults ORDER BY kind")
    assert rows == [("short frame", "Pack", 1), ("unknown identifier", "555", 3)]
    assert bench.ask("SELECT frames, frames_known FROM logs") == [(159, 156)]


def test_the_loggers_own_losses_are_named(bench: Bench) -> None:
    """Error frame of class 4 (controller) with data[1] bit 0: receive overflow. Source: Linux uapi, can/error.h."""
    error = f"({(toy.T0 + 1) // 1_000_000}.000001) can0 20000004#0001000000000000"
    toy.write(bench.inbox / "a.log", [*toy.stretch(toy.T0, 5), error])
    bench.scan()
    rows = bench.ask("SELECT message, count FROM log_faults WHERE kind = 'error frame' ORDER BY 1")
    assert rows == [("controller", 1), ("logger overflow: the logger itself dropped frames", 1)]
    assert bench.ask("SELECT frames_error FROM logs") == [(1,)]


def test_a_corrected_dbc_decodes_its_logs_again(tmp_path: Path) -> None:
    """The DBC had the voltage ten times too small; once it is corrected, old logs are decoded anew on request."""
    profiles = tmp_path / "profiles"
    profiles.mkdir()
    good = (DATA / "toy.dbc").read_text()
    (profiles / "toy.dbc").write_text(good.replace("(0.01,0) [0|655.35]", "(0.001,0) [0|65.535]"))
    shutil.copy(DATA / "toy.toml", profiles)
    bench = Bench(tmp_path / "bench", profiles)
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 10))
    bench.scan()
    assert bench.ask("SELECT min(volt) FROM toy.pack") == [(pytest.approx(1.32),)]
    assert outdated(bench.store) == []
    (profiles / "toy.dbc").write_text(good)
    assert outdated(bench.store) == [bench.inbox / "a.log"]
    assert redecode(bench.store, jobs=0).logs_new == 1
    assert bench.ask("SELECT min(volt), count(*) FROM toy.pack") == [(pytest.approx(13.2), 100)]
    assert bench.ask("SELECT count(*) FROM retired") == [(1,)]
    assert outdated(bench.store) == []


def test_swapped_bus_labels_are_named(tmp_path: Path) -> None:
    profiles = tmp_path / "profiles"
    profiles.mkdir()
    shutil.copy(DATA / "toy.dbc", profiles)
    text = (DATA / "toy.toml").read_text().replace('dbc = "toy.dbc"', 'channel = "can1"\ndbc = "toy.dbc"')
    (profiles / "toy.toml").write_text(text)
    bench = Bench(tmp_path / "bench", profiles)
    toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 10))
    bench.scan()
    assert "the log's buses are called can0, in profile toy they are can1" in bench.reasons()["a.log"]


def test_a_log_larger_than_memory_gives_the_same_part(bench: Bench) -> None:
    """Decoded in pieces of 10,000 frames that go to disk in between: the same bytes as at once."""
    toy.write(bench.inbox / "a.log", toy.day())
    bench.scan()
    at_once = bench.ask("SELECT part, part_hash FROM logs")
    (bench.store.lake.root / at_once[0][0]).unlink()
    small = replace(bench.store, settings=replace(bench.store.settings, segment_frames=10_000))
    taken = take_log(bench.inbox / "a.log", small, now=NOW)
    assert isinstance(taken, TakenLog)
    assert [(taken.part, taken.part_hash)] == at_once
    assert not list(bench.store.scratch.iterdir())


@pytest.mark.parametrize("packed", [False, True])
def test_a_log_too_large_to_hold_gives_the_same_part(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, packed: bool
) -> None:
    log = toy.write(bench.inbox / "a.log", toy.day())
    if packed:
        log.write_bytes(gzip.compress(log.read_bytes()))
    at_once = take_log(log, bench.store, now=NOW)
    assert isinstance(at_once, TakenLog)
    (bench.store.lake.root / at_once.part).unlink()
    monkeypatch.setattr("herdbook.pipeline.intake.take_log.WHOLE", 0)
    assert take_log(log, bench.store, now=NOW) == at_once
    assert at_once.file.log == hashlib.sha256(log.read_bytes()).hexdigest()
