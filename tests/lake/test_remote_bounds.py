"""What a far lake never does: fill the disk with copies, serve a wrong one, leave its place, share it."""

from __future__ import annotations

from pathlib import Path

import pytest

from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.lake.open import lake_of
from herdbook.pipeline.lake.read import load_signals
from herdbook.pipeline.store.store import Store
from tests.lake.far import WIRES, bucket, fill
from tests.toy.bench import Bench
from tests.toy.s3 import S3, empty_cache, far_bench

pytestmark = [
    pytest.mark.server,
    pytest.mark.filterwarnings("ignore:datetime.datetime.utcnow:DeprecationWarning"),  # botocore's and moto's own
]


def test_the_cache_keeps_its_limit_and_serves_nothing_wrong(s3: S3, tmp_path: Path) -> None:
    far = far_bench(tmp_path / "far", s3, bucket(tmp_path), "[keep]\ncache_gb = 0.000015\n")
    fill(far)
    far.scan()
    wires, sizes = far.ask(WIRES), sum(h.size for h in far.store.lake.parts())
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
    copies()[0].write_bytes(far.store.lake.open(far.ask("SELECT part FROM parts")[0][0]).path.read_bytes())
    assert far.ask(WIRES) == wires
    for path in copies():
        path.write_bytes(b"x" * path.stat().st_size)
    lake_of.cache_clear()
    one = load_signals(far.store, "TOY-002", 0, 2**61).series("pack_voltage")
    assert len(one) == 600


def test_names_that_lead_out_of_the_lake_are_refused(far: Bench) -> None:
    fill(far)
    far.scan()
    lake = far.store.lake
    for name in ("../../x.parquet", "/etc/passwd", "a/../../../x.parquet", "", "a\\..\\x.parquet", "x\0.parquet"):
        for ask in (lake.open, lake.hash_of, lake.delete, lake.address):
            with pytest.raises(StoreError, match="leads out of the lake"):
                ask(name)
        with pytest.raises(StoreError, match="leads out of the lake"), lake.adding(name):
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
