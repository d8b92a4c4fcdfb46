"""An inbox behind a URL: fetched once, whole, and never outside the store."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import fsspec
import pytest

import tests.toy.logs as toy
from herdbook.pipeline.errors import InputError, SettingsError
from herdbook.pipeline.intake.remote_inbox import _local
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.store.store import Store
from tests.toy.bench import DATA, NOW, RESULTS, Bench, answers


@pytest.fixture
def memory() -> Iterator[fsspec.AbstractFileSystem]:
    """fsspec's own file system in memory."""
    files = fsspec.filesystem("memory")
    files.store.clear()
    yield files
    files.store.clear()


def text(lines: list[str]) -> bytes:
    return ("\n".join(lines) + "\n").encode()


def no_wait(folder: Path) -> Store:
    store = Store.create(folder, DATA)
    (folder / "herdbook.toml").write_text(f'profiles = "{DATA}"\n[take]\nsettle_s = 0\n')
    return Store.open(store.folder)


def test_same_as_a_folder_and_fetched_once(memory: fsspec.AbstractFileSystem, tmp_path: Path) -> None:
    store, plain = no_wait(tmp_path / "store"), Bench(tmp_path / "plain")
    memory.pipe("/box/a.log", text(toy.day()))
    memory.pipe("/box/sub/b.log", text(toy.stretch(toy.T0 + 86_400_000_000, 20, serial=0)))
    memory.pipe("/box/sub/b.log.toml", b'vehicle = "TOY-003"\n')
    memory.pipe("/box/.hidden.log", b"x")
    toy.write(plain.inbox / "a.log", toy.day())
    toy.write(plain.inbox / "b.log", toy.stretch(toy.T0 + 86_400_000_000, 20, serial=0))
    (plain.inbox / "b.log.toml").write_text('vehicle = "TOY-003"\n')
    plain.scan()
    result = run_scan("memory://box", store, jobs=0, now=NOW)
    assert (result.logs_new, result.quarantined) == (2, 0)
    assert answers(store, RESULTS) == answers(plain.store, RESULTS)
    memory.pipe("/box/c.log", b"junk " * 99)
    again = run_scan("memory://box", store, jobs=0, now=NOW)
    assert (again.logs_new, again.logs_known, again.quarantined) == (0, 0, 1)
    left = sorted(p.name for p in (store.folder / "fetched").rglob("*") if p.is_file())
    assert left == ["c.log"]  # what is in the lake needs no copy; what is in quarantine keeps it
    assert run_scan("memory://box", store, jobs=0, now=NOW).logs_new == 0


def test_an_inbox_that_cannot_be_reached_says_so(tmp_path: Path) -> None:
    store = no_wait(tmp_path / "store")
    with pytest.raises(SettingsError, match="kind of address is not known"):
        run_scan("nosuch://box", store, jobs=0)
    with pytest.raises(InputError, match="cannot be reached"):
        run_scan("ftp://127.0.0.1:9/box", store, jobs=0)


@pytest.mark.parametrize("name", ["box/../../etc/passwd", "box//etc/passwd", "box/./x", "/box/a/../b"])
def test_copies_stay_inside(name: str) -> None:
    local = _local(name, "box")
    assert not local.is_absolute()
    assert ".." not in local.parts


@pytest.mark.server
def test_an_s3_bucket(tmp_path: Path) -> None:
    """A bucket of moto's server on loopback, read through s3fs."""
    import boto3  # type: ignore[import-untyped]
    from moto.server import ThreadedMotoServer

    server = ThreadedMotoServer(ip_address="127.0.0.1", port=0, verbose=False)
    server.start()
    try:
        host, port = server.get_host_and_port()
        address = f"http://{host}:{port}"
        keys = {"aws_access_key_id": "x", "aws_secret_access_key": "x", "region_name": "us-east-1"}
        client = boto3.client("s3", endpoint_url=address, **keys)
        client.create_bucket(Bucket="fleet")
        client.put_object(Bucket="fleet", Key="in/a.log", Body=text(toy.stretch(toy.T0, 20)))
        client.close()
        options = {"key": "x", "secret": "x", "endpoint_url": address}
        fsspec.config.conf["s3"] = options
        store = no_wait(tmp_path / "store")
        assert run_scan("s3://fleet/in", store, jobs=0, now=NOW).logs_new == 1
        assert run_scan("s3://fleet/in", store, jobs=0, now=NOW).logs_new == 0
        with store.read() as con:
            assert con.execute("SELECT count(*) FROM toy.pack").fetchall() == [(200,)]
    finally:
        fsspec.config.conf.pop("s3", None)
        server.stop()
