"""A night over a Dask cluster of several processes with its lake on object storage gives what one process gives."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from pathlib import Path

import pytest

from herdbook.flows.server.server import Server
from herdbook.flows.supervise import run_once
from herdbook.pipeline.settings import FILE
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.upkeep.repair import check
from tests.flows.conftest import place
from tests.flows.same import contents, lake
from tests.toy.s3 import S3, empty_cache, running

pytestmark = [pytest.mark.server, pytest.mark.slow]


@pytest.fixture(scope="module")
def s3() -> Iterator[S3]:
    with running() as server:
        yield server


# botocore and moto still call datetime.utcnow; not ours to mend
@pytest.mark.filterwarnings("ignore:datetime.datetime.utcnow:DeprecationWarning")
@pytest.mark.parametrize("dask", ["local", ""])
def test_a_night_over_a_far_lake(tmp_path: Path, inbox: Path, plain: Path, server: Server, s3: S3, dask: str) -> None:
    bucket = f"night-{dask or 'workers'}"
    s3.files.mkdir(bucket)
    folder = tmp_path / "store"
    folder.mkdir()
    (folder / FILE).write_text(f'lake = "s3://{bucket}/lake"\n', "utf-8")
    here = place(folder, inbox)
    ended = run_once(here.asked(server=server.url, dask=dask, workers=4))
    assert ended.note == ""
    if dask:
        assert "distributed.scheduler" in (folder / "night" / "night.log").read_text("utf-8")
    for name in ("catalogue.duckdb", "fleet.duckdb"):
        mine, undisturbed = contents(folder / name), contents(plain / name)
        assert mine == undisturbed, name
    found = {
        n.removeprefix(f"{bucket}/lake/"): hashlib.sha256(s3.files.cat_file(n)).hexdigest()
        for n in s3.files.find(f"{bucket}/lake")
        if n.endswith(".parquet")
    }
    assert found == lake(plain)
    empty_cache(Store.open(folder))
    assert check(Store.open(folder)) == []
