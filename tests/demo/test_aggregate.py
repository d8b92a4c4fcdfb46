"""Several campaigns scored together, by cases small enough to count by hand."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path

import pytest
from scipy.stats import binomtest

from demo_logs.aggregate import bars, judged_of, main, read, strata_table, wilson
from demo_logs.scorecard import Said, TrueFault, TrueVehicle
from herdbook.pipeline.health.judged import load

DAY = 86_400_000_000
MONTH = int(30.4375 * DAY)


def _campaign(path: Path, seed: int) -> Path:
    truth = [
        TrueVehicle("A", "zirbel", (TrueFault("torque_after_release", "", 1000.0, DAY),), (), 0, MONTH),
        TrueVehicle("B", "zirbel", (TrueFault("weak_group", "3", 2.5, DAY),), (), 0, MONTH, far=True),
        TrueVehicle("C", "zirbel", (), (), 0, 2 * MONTH, left=True, poor_data=True),
    ]
    said = [
        Said("A", "torque_after_release", "stop-use", "", 3 * DAY),
        Said("A", "belt_slip", "service", "left", 3 * DAY),
        Said("C", "link_loss", "service", "", DAY),
    ]
    raw = {
        "seed": seed,
        "truth": [asdict(t) for t in truth],
        "said": [asdict(s) for s in said],
        "refused": {"A": [], "B": [], "C": ["soc_off", "hot_for_load"]},
    }
    path.write_text(json.dumps(raw))
    return path


@pytest.fixture
def campaigns(tmp_path: Path) -> list[Path]:
    return [_campaign(tmp_path / f"{seed}.json", seed) for seed in (1, 2)]


def test_vehicles_of_two_seeds_do_not_mix(campaigns: list[Path]) -> None:
    together = read(campaigns)
    assert together.seeds == (1, 2)
    assert len({t.vehicle for t in together.truth}) == 6
    text = bars(together.card)
    assert "2 of 4 = 50.0 %" in text
    assert "0 of 2 = 0.0 %" in text  # both finds have a wrong word beside them
    assert "2 and 0 in 4 sound vehicle-months" in text


def test_far_out_and_missing_roles_have_rows_of_their_own(campaigns: list[Path]) -> None:
    rows = strata_table(read(campaigns)).splitlines()[2:]
    cells = [[c.strip() for c in row.strip("|").split("|")] for row in rows]
    assert [c[1] for c in cells] == ["2 of 2", "0 of 2", "0 of 0"]
    assert cells[2][4] == "2"
    assert cells[2][5].startswith("2.0 of ")


def test_counts_go_into_the_committed_form(campaigns: list[Path], tmp_path: Path) -> None:
    assert main([*map(str, campaigns), "--judged", str(tmp_path / "judged.toml")]) == 0
    judged = load(tmp_path / "judged.toml")
    assert judged.vehicles == 6
    assert judged.months == pytest.approx(8.0, abs=0.01)
    assert judged.rules["belt_slip"].false == 2
    assert judged.rules["link_loss"].false_sound == 2
    assert judged.rules["torque_after_release"].named == 2
    assert judged_of(read(campaigns)).sound_months == pytest.approx(4.0, abs=0.01)


def test_a_file_of_another_kind_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "other.json").write_text("{}")
    assert main([str(tmp_path / "other.json")]) == 2
    assert "aggregate:" in capsys.readouterr().err


@pytest.mark.parametrize(("good", "of"), [(4, 20), (0, 7), (44, 46), (9, 9)])
def test_interval_of_a_share(good: int, of: int) -> None:
    """Against scipy's own Wilson interval of a share."""
    low, high = binomtest(good, of).proportion_ci(0.95, method="wilson")
    assert wilson(good, of) == pytest.approx((low, high), abs=1e-6)
