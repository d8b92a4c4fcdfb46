"""A chemistry's file is checked when it is loaded: every mistake is refused with file, key and what to do."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from herdbook.pipeline.errors import ProfileError
from herdbook.pipeline.vehicle.chemistry import (
    CHEMISTRIES,
    FIGURES,
    ChemistryError,
    chemistries,
    chemistry,
    chemistry_of,
    chemistry_version,
    load_chemistry,
    ocv_of,
)

LFP = (CHEMISTRIES / "lfp.toml").read_text("utf-8")
FULL = 'full_v = { value = 3.45, source = "common practice" }'


def load_changed(folder: Path, old: str, new: str) -> str:
    """What is said about lfp.toml with one change."""
    assert LFP.count(old) == 1, old
    path = folder / "lfp.toml"
    path.write_text(LFP.replace(old, new), "utf-8")
    with pytest.raises(ChemistryError) as caught:
        load_chemistry(path)
    assert str(path) in str(caught.value)
    assert caught.value.do
    return str(caught.value)


@pytest.mark.parametrize("name", chemistries())
def test_every_shipped_chemistry_loads_and_rises(name: str) -> None:
    found = chemistry(name)
    assert found.name == name
    assert found.version >= 1
    assert (np.diff(found.ocv.middle_v) > 0).all()
    assert found.low_v < found.plateau_v[0] < found.plateau_v[1] < found.full_v
    assert found.deep_v < found.low_v


@pytest.mark.parametrize("name", chemistries())
def test_every_figure_says_where_it_is_from(name: str) -> None:
    """A publication by its year or number, or in so many words that there is none."""
    told = chemistry(name).source
    assert set(told) == {*FIGURES, "soc_pct", "middle_v", "sd_v", "half_gap_v"}
    words = ("common practice", "engineering choice", "from memory", "(19", "(20", "doi", "computed")
    assert not [key for key, text in told.items() if not any(word in text for word in words)]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("2.991, 3.060, 3.119", "2.991, 2.960, 3.119", "[curve] middle_v does not rise at its value 5, 2.96"),
        ("2.991, 3.060, 3.119", "2.991, 3.119", "[curve] middle_v has 17 values, soc_pct has 18"),
        ("[0.0,   2.0,", "[1.0,   2.0,", "[curve] soc_pct does not go from 0 to 100"),
        ("[0.0,   2.0,", '["0",   2.0,', "[curve] soc_pct is missing, or is not a row of numbers"),
        ("[0.300, 0.150,", "[0.0, 0.150,", "[curve] sd_v leaves what can be"),
        ("half_gap_v = 0.010", "half_gap_v = -0.010", "[curve] half_gap_v = -0.01 cannot be"),
        ("half_gap_v = 0.010", "half_gab_v = 0.010", "[curve] half_gap_v = None cannot be"),
        ('soc_pct = "engineering choice', 'soc = "engineering choice', "[curve.source] is not complete"),
        (FULL[:24], "ful_v = { value = 3.45,", "[voltages] full_v is missing"),
        (FULL, "full_v = 3.45", "full_v is missing, or is not a value with its source"),
        (FULL, FULL.replace("common practice", " "), "[voltages] full_v has no source"),
        (FULL[:24], "full_v = { value = 3450,", "[voltages] full_v = 3450 cannot be"),
        (FULL[:24], "full_v = { value = nan,", "[voltages] full_v = nan cannot be"),
        (FULL[:24], "full_v = { value = [3.45],", "one number: mean of the groups"),
        ("value = [3.20, 3.36]", "value = [3.36, 3.20]", "[voltages] plateau_v = [3.36, 3.2] does not rise"),
        ("value = [3.20, 3.36]", "value = [3.2, 3.3, 3.4]", "two numbers, [from, to]"),
        ("value = [2.5, 3.0, 3.2,", "value = [2.5, 3.2, 3.2,", "3.55, 3.65] does not rise"),
        (FULL, f"low = 1\n{FULL}", "[voltages] low is not known"),
        ("[typical_group]", "[typical_groups]", "[typical_group] is missing"),
        ("version = 2", "version = 0", "version = 0. Write version = 1"),
        ('chemistry = "LFP"', 'chemistry = "NMC"', "Write chemistry = \"LFP\", as its file"),
        ("version = 2", "version = ", "is not TOML"),
        ("[curve]\n", "[extra]\n[curve]\n", "'extra' is not known. Known: curve, voltages"),
    ],
)  # fmt: skip
def test_a_wrong_file_is_refused(tmp_path: Path, old: str, new: str, said: str) -> None:
    assert said in load_changed(tmp_path, old, new)


def test_a_missing_file_is_a_refusal_with_the_names_there_are() -> None:
    with pytest.raises(ProfileError, match=r"no such chemistry: 'NMCX'\. Known: .*LFP"):
        chemistry("NMCX")
    assert chemistry_version("NMCX") == 0


def test_a_pack_gets_its_own_chemistry_or_the_usual_figures_and_never_a_lent_curve() -> None:
    assert chemistry_of({"chemistry": "lfp"}) is chemistry("LFP")
    assert chemistry_of({"chemistry": "NMCX"}) is chemistry_of({}) is chemistry("LFP")
    assert ocv_of({"chemistry": "NMCX"}) is ocv_of({}) is None
    own = ocv_of({"chemistry": "LFP", "ocv_soc_pct": [0.0, 100.0], "ocv_v": [3.0, 4.0]})
    assert own is not None
    assert float(own.volts(50.0)) == pytest.approx(3.5)


# Half cells against lithium by the amount of it (0 to 1), as their papers print them.
def graphite_silicon(x: np.ndarray) -> np.ndarray:
    """Chen et al., J. Electrochem. Soc. 167 (2020) 080534."""
    steps = 0.0909 * np.tanh(29.8538 * (x - 0.1234)) + 0.04478 * np.tanh(14.9159 * (x - 0.2769))
    return np.asarray(1.9793 * np.exp(-39.3631 * x) + 0.2482 - steps - 0.0205 * np.tanh(30.4444 * (x - 0.6103)))


def nmc_811(y: np.ndarray) -> np.ndarray:
    """Chen et al., likewise."""
    steps = 0.0428 * np.tanh(18.5138 * (y - 0.5542)) + 17.7326 * np.tanh(15.7890 * (y - 0.3117))
    return np.asarray(-0.8090 * y + 4.4875 - steps + 17.5842 * np.tanh(15.9308 * (y - 0.3120)))


def graphite(x: np.ndarray) -> np.ndarray:
    """Mohtat et al., J. Electrochem. Soc. 167 (2020) 110561."""
    heights = (0.0120, 0.0118, 0.0035, 0.0095, 0.0145, 0.0800)
    middles = (0.127, 0.155, 0.220, 0.190, 0.490, 1.030)
    widths = (0.016, 0.016, 0.020, 0.013, 0.020, 0.055)
    steps = sum(h * np.tanh((x - m) / w) for h, m, w in zip(heights, middles, widths, strict=True))
    return np.asarray(0.063 + 0.8 * np.exp(-75 * (x + 0.001)) - steps)


def nmc_532(y: np.ndarray) -> np.ndarray:
    """Mohtat et al., likewise."""
    powers = 4.3452 - 1.6518 * y + 1.6225 * y**2 - 2.0843 * y**3 + 3.5146 * y**4 - 2.2166 * y**5
    return np.asarray(powers - 0.5623e-4 * np.exp(109.451 * y - 100.006))


# Negative and positive: thickness [m], share of active material, most lithium [mol/m3]; a known pair of amounts; the
# lowest voltage. All end at 4.2 V.
CELLS = (
    (graphite_silicon, nmc_811, (8.52e-5, 0.75, 33133.0), (7.56e-5, 0.665, 63104.0), (29866.0, 17038.0), 2.5),
    (graphite_silicon, nmc_811, (8.52e-5, 0.75, 29583.0), (7.56e-5, 0.665, 51765.0), (28866.0, 13975.0), 2.5),
    (graphite, nmc_532, (6.2e-5, 0.61, 28746.0), (6.7e-5, 0.445, 35380.0), (48.8682, 31513.0), 2.8),
)


def test_the_nmc_curve_is_that_of_the_published_cells() -> None:
    """Mean and spread of three cells: amounts from the papers, charge shared out between the voltages of each set."""
    found = chemistry("NMC").ocv
    curves = []
    for negative, positive, (ln, an, cn), (lp, ap, cp), (n0, p0), lowest in CELLS:
        x = np.linspace(1e-4, 0.9999, 200_001)
        volts = positive(p0 / cp + (n0 / cn - x) * (ln * an * cn) / (lp * ap * cp)) - negative(x)
        empty, full = np.interp([lowest, 4.2], volts, x)
        curves.append(np.interp(empty + (full - empty) * found.soc_pct / 100.0, x, volts))
    assert found.middle_v == pytest.approx(np.mean(curves, axis=0), abs=0.001)
    assert found.sd_v == pytest.approx(np.maximum(np.std(curves, axis=0, ddof=1), 0.010), abs=0.001)
