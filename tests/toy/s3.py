"""Object storage for tests: moto, another project's server, on loopback. It counts what it is asked."""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator
from pathlib import Path

import fsspec
import pytest
from moto.server import ThreadedMotoServer

from herdbook.pipeline.lake.open import lake_of
from herdbook.pipeline.store.store import Store
from tests.toy.bench import DATA, Bench


class S3:
    """A server that can be stopped and started again at the same address, with what it held."""

    def __init__(self) -> None:
        self.port = 0
        self.start()
        self.files = fsspec.filesystem(
            "s3", key="k", secret="s", endpoint_url=self.url, skip_instance_cache=True, use_listings_cache=False
        )

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        self.server = ThreadedMotoServer("127.0.0.1", self.port, verbose=False)
        self.server.start()
        self.port = self.server.get_host_and_port()[1]

    def stop(self) -> None:
        self.server.stop()

    @property
    def environment(self) -> dict[str, str]:
        return {
            "AWS_ACCESS_KEY_ID": "k",
            "AWS_SECRET_ACCESS_KEY": "s",
            "AWS_DEFAULT_REGION": "us-east-1",
            "AWS_ENDPOINT_URL": self.url,
            "AWS_EC2_METADATA_DISABLED": "true",
            "AWS_MAX_ATTEMPTS": "1",
        }


@contextlib.contextmanager
def running() -> Iterator[S3]:
    """A server, and this process pointed at it as a user would: by the environment."""
    s3 = S3()
    with pytest.MonkeyPatch.context() as patch:
        for name, value in s3.environment.items():
            patch.setenv(name, value)
        forget()
        yield s3
        forget()
    s3.stop()


def forget() -> None:
    """Connections and lakes made under another environment."""
    import s3fs

    s3fs.S3FileSystem.clear_instance_cache()
    lake_of.cache_clear()


def far_bench(folder: Path, s3: S3, bucket: str, more: str = "") -> Bench:
    """A bench whose lake is in a new bucket."""
    s3.files.mkdir(bucket)
    return bench_with(folder, f"s3://{bucket}/herd/lake", more)


def bench_with(folder: Path, lake: str, more: str = "", profiles: Path = DATA) -> Bench:
    (folder / "store").mkdir(parents=True)
    (folder / "store" / "herdbook.toml").write_text(f'profiles = "{profiles}"\nlake = "{lake}"\n{more}')
    return Bench(folder, profiles)


def empty_cache(store: Store) -> None:
    """As on another machine: no copy of any part."""
    shutil.rmtree(store.folder / "cache", ignore_errors=True)
    lake_of.cache_clear()
