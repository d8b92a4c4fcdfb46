"""A slip that leaves a line looking sound, with another identifier, time or length: told as lost, never read.

Met by the differential campaign (tests/store/RESULTS.md); what the line says before the slip is the truth.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from herdbook.decoders import open_log
from herdbook.pipeline.intake.outcome import QuarantinedLog
from herdbook.pipeline.intake.take_log import take_log
from herdbook.pipeline.store.store import Store
from tests.decoders.peers import Seen, frames_in
from tests.toy.bench import DATA

ASC = b"date Sat Sep 30 15:06:13.191 2017\nbase hex  timestamps absolute\n"
TRC = b";$FILEVERSION=2.1\n;$STARTTIME=44548.6028595139\n;$COLUMNS=N,O,T,B,I,d,R,L,D\n"
SOUND_ASC = b" 0.001000 1  101             Rx   d 2 00 01\n"
SOUND_TRC = b"      1         1.000 DT  1     0101 Rx -  2    00 01\n"


def read(path: Path, content: bytes) -> tuple[list[Seen], list[str]]:
    path.write_bytes(content)
    log = open_log(path)
    return frames_in(log), [loss.detail for loss in log.losses]


@pytest.mark.parametrize(
    "line",
    [
        b" 0.002000 1  10\x1b             Rx   d 2 00 01\n",  # an identifier that lost a digit
        b" 0.00200\x10 1  101             Rx   d 2 00 01\n",  # a stamp
        b" 0.002000 1  101             Rx   d\x102 00 01\n",
        b" 0002000 1  101             Rx   d 2 00 01\n",  # no point: 2,000 seconds
    ],
)
def test_an_asc_line_with_a_slip_is_told(line: bytes, tmp_path: Path) -> None:
    frames, lost = read(tmp_path / "a.asc", ASC + SOUND_ASC + line + SOUND_ASC)
    assert [(f[0], f[1]) for f in frames] == [(1000, 0x101)] * 2
    assert len(lost) == 1


@pytest.mark.parametrize(
    "line",
    [
        b"      2         2.000 DT  1     0101 Rx \x02  2    00 01\n",  # the column that is held free
        b"      2         2.000 DT  1     0101 Rx!-  6    00 01 02 03 04 05\n",  # two words grown together: length 0
        b"      2         2.000 DT  1     0101 Rx -  01 02 03 04 05 06 07\n",  # the length is gone: length 1
        b"      2         2.000 DT  1     01 8    00 01 02 03 04 05 06 07\n",  # another identifier
        b"      2         2.000 DT  1     0101 Rx -  8    00 01   00 01 02 03 04 05 06 07\n",  # ten bytes
        b" \x1d    2         2.000 DT  1     0101 Rx -  2    00 01\n",  # a word too many
        b"      2      2    2.000 DT  1     0101 Rx -  2    00 01\n",
    ],
)
def test_a_trc_line_with_a_slip_is_told(line: bytes, tmp_path: Path) -> None:
    frames, lost = read(tmp_path / "a.trc", TRC + SOUND_TRC + line + SOUND_TRC)
    told = [f for f in frames if f[0] == 2000]
    assert told in ([], [(2000, 0x101, *[False] * 7, 2, b"\x00\x01", "1")])  # a word where none belongs says nothing
    assert len(frames) == 2 + len(told)
    assert len(lost) == 1 - len(told)


OLD = b";$FILEVERSION=1.1\n" + b"     1)       1.0  Tx         0101  2  00 01\n" * 40


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (OLD.replace(b"VERSION", b"VERSI0N"), "by the columns of file version 1.0: the head names no version"),
        (TRC.replace(b"$COLUMNS=N,O,", b"$COLUMNS=N,") + SOUND_TRC * 40, "the head names no columns that make one"),
    ],
)
def test_a_trc_log_with_a_damaged_head_says_so(content: bytes, words: str, tmp_path: Path) -> None:
    log = tmp_path / "TOY-001.trc"
    log.write_bytes(b";##########\n" + content)
    found = take_log(log, Store.create(tmp_path / "store", DATA))
    assert isinstance(found, QuarantinedLog)
    assert words in found.detail
    assert "no frame of it can be read: 1," in found.detail
    assert "a log of the kind trc" in found.advice


def test_columns_are_enough_where_the_version_cannot_be_read(tmp_path: Path) -> None:
    frames, lost = read(tmp_path / "a.trc", b";##########\n" + TRC.replace(b"VERSION", b"VERSI0N") + SOUND_TRC)
    assert [(f[0], f[1]) for f in frames] == [(1000, 0x101)]
    assert not lost
