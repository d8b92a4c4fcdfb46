"""A maker's own cells: a curve as a CSV and a chemistry as a file beside the profile, both checked; limits of cells."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from herdbook.pipeline.errors import ProfileError
from herdbook.pipeline.vehicle.chemistry import CHEMISTRIES, chemistry_version, ocv_of
from herdbook.pipeline.vehicle.figures import PackFigures
from herdbook.pipeline.vehicle.ocv_file import read_ocv
from herdbook.pipeline.vehicle.profile import load_profile
from tests.vehicle.test_profile_mistakes import changed

CURVE = "soc_pct,v,sd_v\n0,2.6,0.02\n50,3.28,0.005\n100,3.4,0.01\n"


def test_a_curve_of_its_own_is_used_and_part_of_the_profile(tmp_path: Path) -> None:
    (tmp_path / "cell.csv").write_text(CURVE, "utf-8")
    path = changed(tmp_path, "cells = 12", 'ocv_file = "cell.csv"\ncells = 12')
    profile = load_profile(path)
    ocv = ocv_of(profile.pack)
    assert ocv is not None
    assert float(ocv.volts(25.0)) == pytest.approx(2.94)  # by hand: half of 2.6 to 3.28
    np.testing.assert_allclose(ocv.sd_v, [0.02, 0.005, 0.01])
    (tmp_path / "cell.csv").write_text(CURVE.replace("3.28", "3.29"), "utf-8")
    assert load_profile(path).hash != profile.hash


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("3.28", "2.5", r"cell\.csv, line 3: v = 2\.5 does not rise above 2\.6"),
        ("50,", "0,", r"line 3: soc_pct = 0 does not rise"),
        ("50,", "150,", r"line 3: soc_pct = '150' is no number from 0 to 100"),
        ("3.28", "x", r"line 3: v = 'x' is no number"),
        ("soc_pct", "soc", "line 1: the columns are"),
        ("100,3.4,0.01\n", "", "has 2 points, at least 3"),
        (",0.005", "", "line 3: 2 values, expected 3"),
    ],
)
def test_a_wrong_curve_is_refused(tmp_path: Path, old: str, new: str, said: str) -> None:
    (tmp_path / "cell.csv").write_text(CURVE.replace(old, new, 1), "utf-8")
    with pytest.raises(ValueError, match=said):
        read_ocv(tmp_path / "cell.csv")
    path = changed(tmp_path, "cells = 12", 'ocv_file = "cell.csv"\ncells = 12')
    with pytest.raises(ProfileError, match=said):
        load_profile(path)


def test_a_curve_in_the_profile_must_rise_too(tmp_path: Path) -> None:
    both = "ocv_soc_pct = [0, 50, 100]\nocv_v = [3.0, 2.9, 3.4]\ncells = 12"
    with pytest.raises(ProfileError, match=r"ocv_v = .* numbers that rise"):
        load_profile(changed(tmp_path, "cells = 12", both))
    with pytest.raises(ProfileError, match="do not belong together"):
        load_profile(changed(tmp_path, "cells = 12", "ocv_soc_pct = [0, 100]\ncells = 12"))


def test_a_chemistry_of_its_own_lies_beside_the_profile(tmp_path: Path) -> None:
    text = (CHEMISTRIES / "lfp.toml").read_text("utf-8").replace('chemistry = "LFP"', 'chemistry = "OURS"')
    (tmp_path / "ours.chemistry.toml").write_text(text.replace("value = 3.65", "value = 3.60"), "utf-8")
    path = changed(tmp_path, 'chemistry = "LFP"', 'chemistry = "ours.chemistry.toml"')
    profile = load_profile(path)
    assert profile.pack_figures.of_chemistry.cell_max_v == 3.60
    assert chemistry_version(profile.pack_figures.chemistry) == 2
    assert profile.doubts == ()
    with pytest.raises(ProfileError, match=r"their\.chemistry\.toml: cannot be read"):
        load_profile(changed(tmp_path, 'chemistry = "LFP"', 'chemistry = "their.chemistry.toml"'))


def test_limits_of_cells_come_from_the_chemistry_where_one_is_named() -> None:
    """LFP in the shipped file: 2.5 to 3.65 V, no charge under 0 degC."""
    pack = PackFigures({"chemistry": "LFP", "cell_max_v": 3.6})
    assert (pack.cell_min_v, pack.cell_max_v, pack.charge_min_c) == (2.5, 3.6, 0.0)
    assert PackFigures({}).cell_max_v is None
