"""A lake on object storage gives what a local one gives, whatever happens to it: moto's server on loopback."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from collections.abc import Iterable, Iterator
from dataclasses import replace
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.pipeline.errors import DamagedPartError, StoreError
from herdbook.pipeline.lake.folder import shelf_of
from herdbook.pipeline.lake.read import load_signals
from herdbook.pipeline.lake.remote import FarShelf
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.reports import verify_history, write_dossier, write_history
from herdbook.pipeline.reports.signals.window import gather
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import DAY, HOUR
from herdbook.pipeline.upkeep.merge_and_expire import upkeep
from herdbook.pipeline.upkeep.repair import check, repair
from tests.toy.bench import LEDGER, NOW, RESULTS, Bench, answers
from tests.toy.s3 import S3, empty_cache, far_bench, running

ROOT = Path(__file__).resolve().parents[2]
WIRES = "SELECT * EXCLUDE (log) FROM toy.pack ORDER BY ALL"
TOLD = {"finding_log": "SELECT * EXCLUDE (scan) FROM finding_log ORDER BY ALL"}
pytestmark = [
    pytest.mark.server,
    pytest.mark.filterwarnings("ignore:datetime.datetime.utcnow:DeprecationWarning"),  # botocore's and moto's own
]


@pytest.fixture(scope="module")
def s3() -> Iterator[S3]:
    with running() as server:
        yield server


@pytest.fixture
def far(s3: S3, tmp_path: Path) -> Bench:
    return far_bench(tmp_path / "far", s3, bucket(tmp_path))


def bucket(folder: Path) -> str:
    return "b" + hashlib.sha256(str(folder).encode()).hexdigest()[:20]


@pytest.fixture
def near(tmp_path: Path) -> Bench:
    return Bench(tmp_path / "near")


def fill(*benches: Bench, days: Iterable[int] = (0, 1, 40)) -> None:
    for bench in benches:
        for serial in (1, 2):
            for day in days:
                ride = toy.stretch(toy.T0 + day * DAY, 20, kmh=9, amps=-9, mode=2, serial=serial)
                toy.write(bench.inbox / f"{serial}-{day}.log", ride)


def objects(s3: S3, bench: Bench) -> dict[str, str]:
    """SHA-256 of every part in the bucket."""
    root = bench.store.settings.lake.removeprefix("s3://")
    found = s3.files.find(root)
    return {
        n.removeprefix(f"{root}/"): hashlib.sha256(s3.files.cat_file(n)).hexdigest()
        for n in found
        if n.endswith(".parquet")
    }


def files(bench: Bench) -> dict[str, str]:
    lake = bench.store.lake
    return {p.relative_to(lake).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in lake.rglob("*.parquet")}


def everything(bench: Bench) -> dict[str, str]:
    return answers(bench.store, RESULTS | LEDGER | TOLD)


def test_the_same_answers_and_the_same_bytes(s3: S3, far: Bench, near: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    fill(far, near)
    fetched, fetch = [], FarShelf._fetch

    def counted(self: FarShelf, part: str, copy: Path) -> bool:
        found = fetch(self, part, copy)
        fetched.extend([part] * found)
        return found

    monkeypatch.setattr(FarShelf, "_fetch", counted)
    for bench in (far, near):
        bench.scan()
        toy.write(bench.inbox / "late.log", toy.stretch(toy.T0 + DAY + 60_000_000, 20, serial=1))
        bench.scan()
    assert everything(far) == everything(near)
    assert objects(s3, far) == files(near)
    assert far.ask(WIRES) == near.ask(WIRES)
    assert fetched == []  # what we wrote ourselves is here already
    assert not (far.store.folder / "lake").exists()


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
            far.store.shelf.open(trouble.part, sound[trouble.part])
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


def herdbook(*args: str, **more: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "herdbook.flows.cli", *args],
        capture_output=True,
        text=True,
        timeout=120,
        cwd=ROOT,
        env=os.environ | {"PYTHONPATH": str(ROOT)} | more,
        check=False,
    )


def test_a_lake_that_cannot_be_reached(s3: S3, far: Bench, near: Bench) -> None:
    """Before a scan, in the middle of one, and for those who only read."""
    fill(far, near)
    near.scan()
    seen: list[str] = []

    def cut(done: int, _of: int, stage: str) -> None:
        if stage.startswith("taking") and done == 3 and not seen:
            seen.append(stage)
            s3.stop()

    try:
        with pytest.raises(StoreError, match=r"s3://.*cannot be reached.*what was committed stays"):
            run_scan(far.inbox, far.store, jobs=0, progress=cut, now=NOW)
        assert seen
        shown = herdbook("scan", str(far.inbox), "--store", str(far.store.folder))
        assert shown.returncode == 5
        assert "Traceback" not in shown.stdout + shown.stderr
        assert "the lake cannot be reached" in shown.stderr
    finally:
        s3.start()
    far.scan()
    assert everything(far) == everything(near)
    assert objects(s3, far) == files(near)
    empty_cache(far.store)
    s3.stop()
    try:
        shown = herdbook("query", "SELECT count(*) FROM toy.pack", "--store", str(far.store.folder))
        assert (shown.returncode, "Traceback" in shown.stderr) == (5, False)
        assert "the lake cannot be reached" in shown.stderr
        shown = herdbook("query", "SELECT count(*) FROM logs", "--json", "--store", str(far.store.folder))
        assert (shown.returncode, shown.stdout.split()) == (0, ["[", "{", '"count_star()":', "6", "}", "]"])
        said = herdbook("store", "show", "--store", str(far.store.folder))
        assert said.returncode == 0
        assert "cannot be reached" in " ".join(said.stdout.split())
    finally:
        s3.start()


DYING = """
import os, signal, sys, threading, time
from pathlib import Path
from herdbook.pipeline.lake.remote import FarShelf
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.store.store import Store
folder, left, wait = Path({folder!r}), [{upload}], {wait}
whole = FarShelf._upload
def end():
    os.kill(os.getpid(), signal.SIGKILL)
def upload(self, path, key):
    left[0] -= 1
    if left[0] == 0 and wait >= 0:
        threading.Thread(target=lambda: (time.sleep(wait), end()), daemon=True).start()
    whole(self, path, key)
    if left[0] == 0 and wait < 0:
        end()
FarShelf._upload = upload
store = Store.open(folder / "store")
run_scan(folder / "inbox", store, jobs=0, now={now})
"""


def killed(far: Bench, upload: int, wait: float) -> int:
    """A scan that is killed so many seconds into an upload; below 0: right after it."""
    code = DYING.format(folder=str(far.folder), upload=upload, wait=wait, now=NOW)
    more = os.environ | {"PYTHONPATH": str(ROOT)}
    return subprocess.run([sys.executable, "-c", code], cwd=ROOT, env=more, check=False, timeout=120).returncode


INSTANTS = [(1, 0.0), (3, -1.0), (2, 0.002)]
MORE_INSTANTS = [(1, 0.001), (2, 0.004), (1, 0.006), (4, -1.0), (1, 0.01), (2, 0.02), (1, -1.0), (5, 0.003)]


def survive(s3: S3, far: Bench, near: Bench, instants: list[tuple[int, float]]) -> None:
    fill(far, near, days=range(2 * len(instants)))  # so that the last one too has something to upload
    near.scan()
    codes = [killed(far, *instant) for instant in instants]
    assert codes.count(-9) >= len(codes) / 2  # a late one may get through
    far.scan()
    assert everything(far) == everything(near)
    assert objects(s3, far) == files(near)
    assert [p for p in far.store.scratch.rglob("*") if p.is_file()] == []


def test_killed_while_uploading(s3: S3, far: Bench, near: Bench) -> None:
    survive(s3, far, near, INSTANTS)


@pytest.mark.slow
def test_killed_while_uploading_at_more_instants(s3: S3, far: Bench, near: Bench) -> None:
    survive(s3, far, near, MORE_INSTANTS)


@pytest.mark.slow
def test_several_processes_over_a_cache_that_is_too_small(far: Bench, near: Bench) -> None:
    """Workers take each other's copies away all the time."""
    fill(far, near)
    with (far.store.folder / "herdbook.toml").open("a") as file:
        file.write("[keep]\ncache_gb = 0.000015\n")
    for bench in (far, near):
        shown = herdbook("scan", str(bench.inbox), "--store", str(bench.store.folder), "--jobs", "3")
        assert shown.returncode in (0, 10, 20), shown.stderr
    kept = {k: v for k, v in RESULTS.items() if k != "vehicles"}
    assert answers(Store.open(far.store.folder), kept) == answers(near.store, kept)


def test_dossier_history_wires_and_query_from_an_empty_cache(far: Bench, near: Bench, tmp_path: Path) -> None:
    fill(far, near)
    for bench in (far, near):
        bench.scan()
    empty_cache(far.store)
    wires = [gather(b.store, "TOY-001", ["pack_voltage", "Pack.Volt"], 0, 2**61) for b in (far, near)]
    assert [(w.name, w.t.tobytes(), w.v.tobytes()) for w in wires[0]] == [
        (w.name, w.t.tobytes(), w.v.tobytes()) for w in wires[1]
    ]
    assert [w.name for w in wires[0]] == ["pack_voltage", "Pack.Volt"]
    empty_cache(far.store)
    pages = [write_dossier(b.store, "TOY-001", tmp_path / f"{i}.html") for i, b in enumerate((far, near))]
    assert pages[0].stat().st_size == pages[1].stat().st_size
    empty_cache(far.store)
    history = write_history(far.store, "TOY-001", tmp_path / "h.json", "json")
    assert verify_history(far.store, history).ok
    empty_cache(far.store)
    sql = "SELECT vehicle, count(*) AS n, max(volt) AS v FROM toy.pack GROUP BY 1 ORDER BY 1"
    said = [herdbook("query", sql, "--json", "--store", str(b.store.folder)) for b in (far, near)]
    assert said[0].returncode == 0, said[0].stderr
    assert json.loads(said[0].stdout) == json.loads(said[1].stdout)


def test_the_cache_keeps_its_limit_and_serves_nothing_wrong(s3: S3, tmp_path: Path) -> None:
    far = far_bench(tmp_path / "far", s3, bucket(tmp_path), "[keep]\ncache_gb = 0.000015\n")
    fill(far)
    far.scan()
    wires, sizes = far.ask(WIRES), sum(h.size for h in far.store.shelf.held())
    cache = far.store.folder / "cache"

    def copies() -> list[Path]:
        return sorted(cache.rglob("*.parquet"))

    assert sizes > 15_000 > sum(p.stat().st_size for p in copies()) > 0
    empty_cache(far.store)
    load_signals(far.store, "TOY-001", 0, 2**61)
    load_signals(far.store, "TOY-002", 0, 2**61)
    assert 0 < sum(p.stat().st_size for p in copies()) <= 15_000
    for path in copies():  # one of the same length, and one that is another part, sound in itself
        path.write_bytes(b"x" * path.stat().st_size)
    copies()[0].write_bytes(far.store.shelf.open(far.ask("SELECT part FROM parts")[0][0]).path.read_bytes())
    assert far.ask(WIRES) == wires
    for path in copies():
        path.write_bytes(b"x" * path.stat().st_size)
    shelf_of.cache_clear()
    one = load_signals(far.store, "TOY-002", 0, 2**61).series("pack_voltage")
    assert len(one) == 600


def test_names_that_lead_out_of_the_lake_are_refused(far: Bench) -> None:
    fill(far)
    far.scan()
    shelf = far.store.shelf
    for name in ("../../x.parquet", "/etc/passwd", "a/../../../x.parquet", "", "a\\..\\x.parquet", "x\0.parquet"):
        for ask in (shelf.open, shelf.hash_of, shelf.delete, shelf.address):
            with pytest.raises(StoreError, match="leads out of the lake"):
                ask(name)
        with pytest.raises(StoreError, match="leads out of the lake"), shelf.adding(name):
            pass
    outside = {p for p in far.folder.rglob("*") if p.is_file() and p.suffix == ".parquet"}
    assert all((far.store.folder / "cache") in p.parents for p in outside)


def test_no_two_stores_share_a_lake(s3: S3, far: Bench, tmp_path: Path) -> None:
    """The upkeep of one would delete the parts of the other."""
    other = tmp_path / "other"
    other.mkdir()
    (other / "herdbook.toml").write_text(f'lake = "{far.store.settings.lake}"\n')
    with pytest.raises(StoreError, match="belongs to another store"):
        Store.create(other)
    (other / "herdbook.toml").write_text('lake = "s3://no-such-bucket/x"\n')
    with pytest.raises(StoreError, match="the lake is gone"):
        Store.create(other)
    s3.files.mkdir(bucket(other))
    (other / "herdbook.toml").write_text(f'lake = "s3://{bucket(other)}/x"\n')
    Store.create(other).check_lake()


def test_a_lake_moves_with_its_mark(s3: S3, near: Bench) -> None:
    fill(near)
    near.scan()
    wires, name = near.ask(WIRES), bucket(near.folder)
    s3.files.mkdir(name)
    with (near.store.folder / "herdbook.toml").open("a") as file:
        file.write(f'lake = "s3://{name}/moved"\n')
    near.store = Store.open(near.store.folder)
    with pytest.raises(StoreError, match=r"there is no \.herdbook-lake.*takes this file along"):
        near.scan()
    s3.files.put(f"{near.store.folder}/lake/", f"{name}/moved", recursive=True)
    near.scan()
    near.store.folder.joinpath("lake").rename(near.folder / "gone")
    assert near.ask(WIRES) == wires
    assert check(near.store) == []


def test_store_show_says_what_a_far_lake_holds(s3: S3, far: Bench) -> None:
    fill(far)
    far.scan()
    said = json.loads(herdbook("store", "show", "--json", "--store", str(far.store.folder)).stdout)
    held = objects(s3, far)
    assert (said["lake"], said["lake_files"], said["copies"]) == (far.store.settings.lake, len(held), 6)
    assert said["lake_bytes"] == said["part_bytes"] == said["copies_bytes"]
