"""What the night's tests share: a small fleet's logs, a store filled by one process without Prefect,
and one Prefect server."""

from __future__ import annotations

import json
import shutil
import sys
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import psutil
import pytest

from herdbook.flows.night_settings import read_night_settings
from herdbook.flows.request import Request
from herdbook.flows.server.server import Server, local_server
from herdbook.pipeline.settings import FILE
from herdbook.pipeline.store.store import Store

sys.path.insert(0, str(Path(__file__).parents[2]))  # worker processes import tests.flows.* by name
from tests.flows.rides import PROFILES, write_fleet, write_ride

HANGS_S = 1200.0  # a server that has not started by then hangs, however busy the machine
SHARED: list[psutil.Process] = []  # the server of all tests: none that kills its own may take it along


@pytest.fixture(scope="session")
def migrated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home after its first start: five seconds of migrations that no other test needs to repeat."""
    home = tmp_path_factory.mktemp("prefect") / "home"
    with local_server(home, start_limit_s=HANGS_S):
        pass
    return home


@pytest.fixture
def home(migrated: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(migrated, tmp_path / "home"))


@pytest.fixture(scope="session")
def server(migrated: Path) -> Iterator[Server]:
    """One Prefect server for all tests that only need one to be there."""
    with local_server(migrated, start_limit_s=HANGS_S) as server:
        assert server.process
        SHARED.append(psutil.Process(server.process.pid))
        yield server


@pytest.fixture(scope="session")
def inbox(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three boards, three days; one with a hot winding and one with a weak cell on the last day."""
    folder = tmp_path_factory.mktemp("inbox")
    write_fleet(folder, 3, 2)
    write_ride(folder, 1, 2, hot=150.0)
    write_ride(folder, 2, 2, weak=0.15)
    write_ride(folder, 3, 2)
    return folder


@dataclass
class Place:
    """A store of its own for one test, and the request for a night over it."""

    folder: Path
    request: Request

    def asked(self, **night: object) -> Request:
        """The request after more settings went into the [night] table."""
        lines = (self.folder / FILE).read_text("utf-8").splitlines()
        kept = [line for line in lines if line.split(" =")[0] not in night]
        new = [f"{key} = {json.dumps(value)}" for key, value in night.items()]
        (self.folder / FILE).write_text("\n".join(kept + new) + "\n", "utf-8")
        return replace(self.request, settings=read_night_settings(self.folder))


def place(folder: Path, inbox: Path) -> Place:
    Store.create(folder, PROFILES)
    with (folder / FILE).open("a", encoding="utf-8") as file:
        file.write("[night]\nworkers = 2\nbundle_mb = 0.5\n")
    return Place(folder, Request("night", str(inbox), str(folder), read_night_settings(folder)))


@pytest.fixture
def fresh(tmp_path: Path, inbox: Path) -> Place:
    return place(tmp_path / "store", inbox)


@pytest.fixture(scope="session")
def plain(tmp_path_factory: pytest.TempPathFactory, inbox: Path) -> Path:
    """The store that one undisturbed night without Prefect leaves behind: the measure for all others."""
    from herdbook.pipeline.night.scan import run_scan

    here = place(tmp_path_factory.mktemp("plain") / "store", inbox)
    run_scan(inbox, Store.open(here.folder), jobs=0)
    return here.folder
