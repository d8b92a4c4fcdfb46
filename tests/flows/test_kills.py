"""Two hundred kills over start, intake, assessment and publication of nights under Prefect lose and double nothing."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

import pytest

from herdbook.flows.server.server import Server, environment

ROOT = Path(__file__).parents[2]


def survive(kills: int, seed: int, server: Server, inbox: Path, plain: Path, work: Path) -> dict[str, int]:
    """Kills by stage; see tests/flows/kills.py."""
    said = subprocess.run(
        [
            sys.executable,
            "-m",
            "tests.flows.kills",
            "--kills",
            str(kills),
            "--seed",
            str(seed),
            "--inbox",
            str(inbox),
            "--calm",
            str(plain),
            "--work",
            str(work),
        ],
        env=environment(server.home, server.url) | {"PYTHONPATH": str(ROOT)},
        cwd=work,
        capture_output=True,
        text=True,
        check=False,
    )
    assert said.returncode == 0, f"seed {seed}: {said.stderr[-4000:]}"
    found: dict[str, int] = json.loads(said.stdout.splitlines()[-1])
    return found


@pytest.mark.server
@pytest.mark.slow
def test_two_hundred_kills_of_nights_under_prefect(server: Server, inbox: Path, plain: Path, tmp_path: Path) -> None:
    found = survive(200, int(time.time()), server, inbox, plain, tmp_path)
    print(found)
    assert found["kills"] == 200
    assert min(found.get(s, 0) for s in ("taking logs in", "assessing vehicles", "publishing")) >= 15, found
