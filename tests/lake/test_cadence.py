"""Missed frames, counter steps and checksums over a stretch, against counts made by hand and per log."""

from __future__ import annotations

from pathlib import Path

import tests.toy.logs as toy
from tests.toy.bench import DATA, Bench

COUNTS = """SELECT frames, missed, counter_gaps, counter_repeats, checksum_failures
            FROM stretch_messages WHERE message = 'Pack'"""


def test_counted_by_hand(bench: Bench) -> None:
    """600 frames at 100 ms with a counter; 5 in a row left out (missed 5, one gap), one counter value sent twice."""
    lines = toy.stretch(toy.T0, 60)
    packs = [line for line in lines if " 100#" in line]
    gone = set(packs[100:105])
    repeated = packs[300][:-6] + packs[299][-6:]  # byte 5 on: mode and counter, temperature
    kept = [repeated if line == packs[300] else line for line in lines if line not in gone]
    toy.write(bench.inbox / "a.log", kept)
    bench.scan()
    frames, missed, gaps, repeats, failures = bench.ask(COUNTS)[0]
    # the repeated value makes one repeat and, one frame on, one step of two
    assert (frames, missed, gaps, repeats, failures) == (595, 5, 2, 1, None)
    assert bench.ask("SELECT missed, counter_gaps, counter_repeats FROM log_messages WHERE message = 'Pack'") == [
        (5, 2, 1)
    ]


def test_sleep_is_not_loss_and_an_overlap_counts_once(bench: Bench) -> None:
    lines = [*toy.stretch(toy.T0, 30), *toy.stretch(toy.T0 + 90_000_000, 30, first=300)]
    toy.write(bench.inbox / "a.log", lines[: len(lines) // 2 + 300])
    toy.write(bench.inbox / "b.log", lines[len(lines) // 2 - 300 :])
    bench.scan()
    assert bench.ask(COUNTS) == [(600, 0, 0, 0, None)]


def crc_j1850(data: bytes) -> int:
    """Bit by bit, from the polynomial alone. Check value 0x4B for "123456789"."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x1D if crc & 0x80 else crc << 1) & 0xFF
    return crc ^ 0xFF


def test_wrong_checksums_stay_with_their_frames(tmp_path: Path) -> None:
    assert crc_j1850(b"123456789") == 0x4B
    profiles = tmp_path / "profiles"
    profiles.mkdir()
    dbc = (DATA / "toy.dbc").read_text()
    dbc = dbc.replace(' SG_ Mode : 56|8@1+ (1,0) [0|255] "" BMS', ' SG_ Crc : 56|8@1+ (1,0) [0|255] "" BMS')
    dbc = dbc.replace(
        'BA_DEF_ BO_ "E2ECounter" STRING;', 'BA_DEF_ BO_ "E2ECounter" STRING;\nBA_DEF_ BO_ "E2EChecksum" STRING;'
    )
    dbc += 'BA_ "E2EForm" BO_ 258 2;\nBA_ "E2EChecksum" BO_ 258 "Crc";\n'
    (profiles / "toy.dbc").write_text(dbc)
    (profiles / "toy.toml").write_text((DATA / "toy.toml").read_text())
    bench = Bench(tmp_path / "bench", profiles)
    lines, wrong = [], 0
    for i, line in enumerate(toy.stretch(toy.T0, 30)):
        if " 102#" in line:
            head, data = line.split("#")
            body = bytes.fromhex(data)[:7]
            crc = crc_j1850(body)
            if i % 40 == 2:
                crc, wrong = crc ^ 1, wrong + 1
            line = f"{head}#{body.hex().upper()}{crc:02X}"
        lines.append(line)
    assert wrong > 5
    toy.write(bench.inbox / "a.log", lines[:500])
    toy.write(bench.inbox / "b.log", lines[400:])
    bench.scan()
    assert bench.ask("SELECT frames, checksum_failures FROM stretch_messages WHERE message = 'Drive'") == [(300, wrong)]
    per_log = bench.ask("SELECT sum(checksum_failures) FROM log_messages WHERE message = 'Drive'")[0][0]
    assert per_log >= wrong
    bad = bench.ask("SELECT count(DISTINCT t) FROM toy.drive WHERE _checksum_ok = 0")
    assert bad == [(wrong,)]
    assert bench.ask("SELECT count(*) FROM toy.drive WHERE _checksum_ok = 0") == bad  # a frame of both logs stands once
