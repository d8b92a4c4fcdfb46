"""The same flow on a Dask cluster of several worker processes gives what one process gives."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from herdbook.flows.server.server import Server, environment
from herdbook.flows.supervise import run_once
from tests.flows.conftest import Place
from tests.flows.same import assert_same

pytestmark = [pytest.mark.server, pytest.mark.slow]


def test_a_local_cluster_gives_the_same_night(fresh: Place, plain: Path, server: Server) -> None:
    ended = run_once(fresh.asked(server=server.url, dask="local", workers=3))
    assert ended.note == ""
    assert "distributed.scheduler" in (fresh.folder / "night" / "night.log").read_text("utf-8")
    assert_same(fresh.folder, plain)


def test_a_served_night_goes_to_the_cluster_too(fresh: Place, plain: Path, server: Server) -> None:
    """Prefect's runner loads the flow by its name, with the threads it was written with."""
    fresh.asked(dask="local", inbox=fresh.request.inbox)
    run = subprocess.run(
        [
            sys.executable,
            "-c",
            "import sys; from herdbook.flows.night.flow import night; night(sys.argv[1])",
            str(fresh.folder),
        ],
        env=environment(fresh.folder / "night", server.url),
        capture_output=True,
        text=True,
        check=True,
    )
    assert "distributed.scheduler" in run.stderr
    assert_same(fresh.folder, plain)
