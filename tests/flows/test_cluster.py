"""The same flow on a Dask cluster of several worker processes gives what one process gives."""

from __future__ import annotations

from pathlib import Path

import pytest

from flows.once import run_once
from flows.server import Server
from tests.flows.conftest import Place
from tests.flows.same import assert_same

pytestmark = [pytest.mark.server, pytest.mark.slow]


def test_a_local_cluster_gives_the_same_night(fresh: Place, plain: Path, server: Server) -> None:
    ended = run_once(fresh.asked(server=server.url, dask="local", workers=3))
    assert ended.note == ""
    log = (fresh.folder / "night" / "night.log").read_text("utf-8")
    assert "Dask" in log or "dask" in log
    assert_same(fresh.folder, plain)
