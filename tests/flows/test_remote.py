"""A night over an inbox on S3-compatible storage: moto, another project's server, on loopback."""

from __future__ import annotations

import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from herdbook.flows.request import Request
from herdbook.flows.without_prefect import run_plain
from herdbook.pipeline.settings import NightSettings
from tests.flows.conftest import place
from tests.flows.same import contents

KEPT = ("sessions", "metrics", "events", "findings", "scores", "installs")


def quiet(*_: object) -> None:
    return


@pytest.fixture(scope="module")
def s3() -> Iterator[str]:
    """Address of a moto server, with fsspec pointed at it."""
    from moto.server import ThreadedMotoServer

    server = ThreadedMotoServer("127.0.0.1", 0, verbose=False)
    server.start()
    host, port = server.get_host_and_port()
    given = {"FSSPEC_S3_ENDPOINT_URL": f"http://{host}:{port}", "FSSPEC_S3_KEY": "k", "FSSPEC_S3_SECRET": "s"}
    from fsspec.config import conf, set_conf_env

    set_conf_env(conf, given)
    yield given["FSSPEC_S3_ENDPOINT_URL"]
    conf.pop("s3", None)
    server.stop()


# botocore and moto still call datetime.utcnow; not ours to mend
@pytest.mark.server
@pytest.mark.filterwarnings("ignore:datetime.datetime.utcnow:DeprecationWarning")
def test_an_inbox_on_s3_gives_the_same_night_and_nothing_is_fetched_twice(
    tmp_path: Path, inbox: Path, plain: Path, s3: str
) -> None:
    import s3fs

    fs = s3fs.S3FileSystem(endpoint_url=s3, key="k", secret="s")
    fs.mkdir("uploads")  # one server state a process: each test a bucket of its own
    fs.put(str(inbox), "uploads/inbox", recursive=True)
    time.sleep(2.1)  # younger objects are left alone, like younger files
    here = place(tmp_path / "store", inbox)
    request = Request("night", "s3://uploads/inbox", str(here.folder), NightSettings(workers=2))
    assert run_plain(request, quiet)["numbers"]["logs_new"] == 9
    mine, undisturbed = contents(here.folder / "fleet.duckdb"), contents(plain / "fleet.duckdb")
    for table in KEPT:
        assert mine[table] == undisturbed[table], table
    assert run_plain(request, quiet)["numbers"]["logs_new"] == 0
    assert list((here.folder / "fetched").rglob("*.log")) == []
