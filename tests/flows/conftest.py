"""What the night's tests share: a Prefect home whose database is migrated once."""

from __future__ import annotations

import shutil
import sys
from pathlib import Path

import pytest

from flows.server import local_server

sys.path.insert(0, str(Path(__file__).parents[2]))  # worker processes import tests.flows.* by name


@pytest.fixture(scope="session")
def migrated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A home after its first start: five seconds of migrations that no other test needs to repeat."""
    home = tmp_path_factory.mktemp("prefect") / "home"
    with local_server(home):
        pass
    return home


@pytest.fixture
def home(migrated: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(migrated, tmp_path / "home"))
