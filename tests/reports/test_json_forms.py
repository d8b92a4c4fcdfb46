"""What the page verbs print for scripts: plain JSON, whole, and a history that verifies when it was piped to a file."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from herdbook.pipeline.cli import build
from herdbook.pipeline.reports import verify_history
from herdbook.pipeline.store.store import Store
from tests.reports.made_up import HOSTILE


@pytest.fixture(autouse=True)
def opened_as_it_is(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """The made-up store has a published catalogue only."""
    monkeypatch.setattr(Store, "open", classmethod(lambda cls, folder: store))


def printed(*arguments: str) -> Any:
    done = CliRunner().invoke(build(), [*arguments, "--json"])
    assert done.exit_code == 0, done.output
    return json.loads(done.stdout)


@pytest.mark.parametrize("vehicle", ["VX-014", HOSTILE])
def test_a_dossier_as_data(vehicle: str) -> None:
    made = printed("dossier", "--", vehicle) if vehicle.startswith("-") else printed("dossier", vehicle)
    assert made["vehicle"] == vehicle
    assert len(made["scores"]) == 8
    assert [f["rule"] for f in made["findings"]] == (
        ["brake_refused", "cell_resistance"] if vehicle == "VX-014" else ["cell_resistance"]
    )
    assert made["findings"][0]["windows"][0]["start_t"].startswith("2026-04-")
    assert sum(s["count"] for s in made["sessions"]) == 16  # eight weeks, a ride and a charge each


def test_a_history_piped_to_a_file_verifies(store: Store, tmp_path: Path) -> None:
    made = printed("history", "VX-014", "--by", "Desk 1", "--units", "mi")
    assert (made["form"], made["by"], made["units"]) == ("herdbook-history/4", "Desk 1", "mi")
    path = tmp_path / "piped.json"
    path.write_text(json.dumps(made, indent=3), "utf-8")
    checks = verify_history(store, path).checks
    assert checks[0].ok
    assert checks[3].ok


def test_wires_as_summary_and_as_samples() -> None:
    """The made-up ride brakes with -15 A and drives with 18 + 8 sin: 26 A at most, at 20 samples a second."""
    when = ("--since", "2026-03-01T08:00:00Z", "--until", "2026-03-01T08:01:00Z")
    [wire] = printed("wires", "VX-014", "pack_current", *when)
    assert (wire["name"], wire["unit"], wire["n"], wire["lowest"]) == ("pack_current", "A", 1200, -15.0)
    assert wire["highest"] == pytest.approx(26.0, abs=0.01)
    assert "samples" not in wire
    [full] = printed("wires", "VX-014", "pack_current", *when, "--points", "100")
    assert 80 < len(full["samples"]) <= 102  # about so many: a slice of equal values gives one
    assert full["samples"][0][0] == "2026-03-01T08:00:00.000000Z"
