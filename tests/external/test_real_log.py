"""A log that nobody here wrote goes through the whole chain.

Source: python-can 4.6.1 source archive (LGPL-3.0), test/data/issue_1256.asc. Its figures (1457 frames; counts by
identifier; first and last time; first payload) are what the file itself holds, counted once by text search.
"""

from __future__ import annotations

import shutil
from datetime import datetime
from pathlib import Path

import pytest

from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.store.store import Store
from tests.external.fetch import folder_of

ROOT = folder_of("python-can")
LOG = ROOT / "python_can-4.6.1" / "test" / "data" / "issue_1256.asc" if ROOT else Path("absent")
COUNTS = {0x64: 795, 0x11: 265, 0x12: 159, 0x66: 80, 0x65: 79, 0x10: 79}
SIZE = {0x64: 4, 0x11: 8, 0x12: 8, 0x66: 8, 0x65: 8, 0x10: 8}

pytestmark = pytest.mark.skipif(not LOG.exists(), reason="python-can's archive is absent: run `make sources` first")


def write_profile(folder: Path) -> None:
    """A DBC with one 16-bit signal a message, and a profile that names one of them."""
    lines = ['VERSION ""', "", "NS_ :", "", "BS_:", "", "BU_: ECU", ""]
    for can_id, size in SIZE.items():
        lines += [f"BO_ {can_id} M{can_id:02X}: {size} ECU", ' SG_ First : 0|16@1+ (1,0) [0|65535] "V" ECU', ""]
    (folder / "real.dbc").write_text("\n".join(lines))
    (folder / "real.toml").write_text('[[bus]]\ndbc = "real.dbc"\n[roles]\npack_voltage = "M64.First"\n')


@pytest.mark.parametrize("jobs", [0, 1])
def test_it_comes_back_out_of_the_catalogue(tmp_path: Path, jobs: int) -> None:
    profiles, inbox = tmp_path / "profiles", tmp_path / "inbox"
    profiles.mkdir()
    inbox.mkdir()
    write_profile(profiles)
    shutil.copy(LOG, inbox / "issue_1256.asc")
    (inbox / "issue_1256.asc.toml").write_text('vehicle = "unknown car"\n')
    store = Store.create(tmp_path / "store", profiles)
    result = run_scan(inbox, Store(store.folder, store.settings.__class__(profiles=str(profiles), settle_s=0.0)), jobs)
    assert (result.logs_new, result.quarantined) == (1, 0)
    with store.read() as con:
        assert con.execute("SELECT frames, frames_known, format, clock FROM logs").fetchall() == [
            (1457, 1457, "asc", "header")
        ]
        for can_id, count in COUNTS.items():
            assert con.execute(f'SELECT count(*) FROM real."m{can_id:02x}"').fetchall() == [(count,)]
        first, last = con.execute("SELECT min(start_t), max(end_t) FROM logs").fetchall()[0]
        # the header says 04:09:35 pm; first and last stamp are 0.019968 and 7.960498 s
        assert (first, last) == (
            datetime(2014, 5, 27, 16, 9, 35, 19968),
            datetime(2014, 5, 27, 16, 9, 42, 960498),
        )
        assert con.execute('SELECT "first" FROM real.m64 ORDER BY t LIMIT 1').fetchall() == [(0x64,)]
