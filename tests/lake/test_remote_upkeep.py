"""Upkeep and repair of a lake on object storage: what goes, what is put back, what is rebuilt."""

from __future__ import annotations

from dataclasses import replace

import pytest

from herdbook.pipeline.errors import DamagedPartError
from herdbook.pipeline.lake.read import load_signals
from herdbook.pipeline.times import HOUR
from herdbook.pipeline.upkeep.merge_and_expire import upkeep
from herdbook.pipeline.upkeep.repair import check, repair
from tests.lake.far import WIRES, everything, files, fill, objects
from tests.toy.bench import NOW, RESULTS, Bench, answers
from tests.toy.s3 import S3, empty_cache

pytestmark = [
    pytest.mark.server,
    pytest.mark.filterwarnings("ignore:datetime.datetime.utcnow:DeprecationWarning"),  # botocore's and moto's own
]


def test_upkeep(s3: S3, far: Bench, near: Bench) -> None:
    fill(far, near)
    near.scan()
    far.scan()
    root = far.store.settings.lake.removeprefix("s3://")
    strange = [f"{root}/toy/aa/orphan.parquet", f"{root}/notes.txt", f"{root}//odd.parquet", f"{root}/../up.parquet"]
    for name in strange:
        s3.files.pipe_file(name, b"?")
    wires = near.ask(WIRES)
    with far.store.read() as reader:  # a shell left open from before
        done = [upkeep(bench.store, NOW) for bench in (far, near)]
        assert done[0].merged_logs == done[1].merged_logs == 4
        assert reader.execute(WIRES).fetchall() == wires  # its parts are still there
        empty_cache(far.store)
        assert reader.execute(WIRES).fetchall() == wires
    assert far.ask(WIRES) == wires
    later = NOW + 49 * HOUR
    assert upkeep(near.store, later).deleted_files == upkeep(far.store, later).deleted_files == 4
    ours = {n for n in objects(s3, far) if f"{root}/{n}" not in strange}
    assert ours == set(files(near))
    very_late = NOW + 30 * 24 * HOUR  # the orphan's time is that of the real clock
    assert upkeep(far.store, very_late).deleted_files == 1
    assert [s3.files.exists(n) for n in strange[:2]] == [False, True]
    empty_cache(far.store)
    assert far.ask(WIRES) == wires
    assert answers(far.store, RESULTS) == answers(near.store, RESULTS)
    for bench in (far, near):
        bench.store = replace(bench.store, settings=replace(bench.store.settings, parts_days=250.0))
    assert upkeep(far.store, NOW).expired_logs == upkeep(near.store, NOW).expired_logs == 4
    done = [upkeep(bench.store, later) for bench in (far, near)]
    assert (done[0].deleted_files, done[0].files, done[0].bytes) == (2, 2, done[1].bytes)


def test_damaged_and_missing_objects_are_found_and_rebuilt(s3: S3, far: Bench) -> None:
    fill(far)
    far.scan()
    before, wires, sound = answers(far.store, RESULTS), far.ask(WIRES), objects(s3, far)
    root = far.store.settings.lake.removeprefix("s3://")
    damaged, missing = sorted(sound)[:2]
    raw = bytearray(s3.files.cat_file(f"{root}/{damaged}"))
    raw[200] ^= 0xFF
    s3.files.pipe_file(f"{root}/{damaged}", bytes(raw))
    s3.files.rm_file(f"{root}/{missing}")
    troubles = check(far.store)  # the objects are looked at, not the copies, which are sound
    assert [(t.part, t.problem) for t in troubles] == [(damaged, "damaged"), (missing, "missing")]
    empty_cache(far.store)
    for trouble in troubles:
        with pytest.raises(DamagedPartError, match=rf"s3://.*{trouble.part}.*{trouble.problem}.*--repair"):
            far.store.lake.open(trouble.part, sound[trouble.part])
    with pytest.raises(DamagedPartError, match="--repair"):
        load_signals(far.store, troubles[0].vehicles[0], 0, 2**61)
    done = repair(far.store, NOW)
    assert (done.rebuilt, done.lost) == (2, ())
    assert check(far.store) == []
    assert objects(s3, far) == sound
    far.scan()
    assert answers(far.store, RESULTS) == before
    assert far.ask(WIRES) == wires


def test_a_sound_copy_is_put_back_even_when_the_log_is_gone(s3: S3, far: Bench) -> None:
    fill(far)
    far.scan()
    upkeep(far.store, NOW)
    sound, answered = objects(s3, far), everything(far)
    merged = next(part for part in sound if "/months/" in part)
    s3.files.pipe_file(f"{far.store.settings.lake.removeprefix('s3://')}/{merged}", b"PAR1 no more")
    for log in far.inbox.iterdir():
        log.unlink()
    done = repair(far.store, NOW)
    assert ([t.problem for t in done.troubles], done.rebuilt, done.lost) == (["damaged"], 1, ())
    assert objects(s3, far) == sound
    assert everything(far) == answered
    s3.files.pipe_file(f"{far.store.settings.lake.removeprefix('s3://')}/{merged}", b"PAR1 no more")
    empty_cache(far.store)
    assert len(repair(far.store, NOW).lost) == 2  # neither copy nor log
