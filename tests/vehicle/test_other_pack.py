"""[[other_pack]]: the second pack of a profile is read, and wrong in it is what is wrong in the first."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from herdbook.decoders import Network
from herdbook.pipeline.errors import ProfileError
from herdbook.pipeline.health.judgeable import lacking, why_not
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.vehicle.draft.write import draft
from herdbook.pipeline.vehicle.packs import as_pack, item_of, marked, of_this_pack, pack_of, unmarked
from herdbook.pipeline.vehicle.profile import Profile, load_profile
from herdbook.pipeline.vehicle.profile_means import judges_by, measures_by
from tests.two_packs.vehicle import one_pack_text, two_packs_text, write_dbc, write_profile
from tests.vehicle.test_draft import dbc

HEAD, ROLES = "[[other_pack]]\n", "[other_pack.roles]\n"


def loaded(folder: Path, text: str = "") -> Profile:
    return load_profile(write_profile(folder, text))


def line_of(text: str, words: str) -> int:
    return text[: text.index(words)].count("\n") + 1


def test_each_pack_has_its_own_signals_and_the_firsts_figures(tmp_path: Path) -> None:
    own = "rated_ah = 20.0\nmax_charge_a = 18.0\n"
    two = loaded(tmp_path, two_packs_text().replace(HEAD, HEAD + own))
    second = as_pack(two, 2)
    assert second is not None
    assert {m.message for m in second.roles if m.role == "cell_voltage"} == {"BMS2_Cells"}
    assert {m.message for m in two.roles if m.role == "cell_voltage"} == {"BMS_Cells"}
    assert {m.message for m in second.roles if m.role == "vehicle_speed"} == {"VEH_Motion"}
    assert (two.pack_figures.rated_ah, second.pack_figures.rated_ah) == (15.0, 20.0)
    assert second.pack_figures.cell_max_v == two.pack_figures.cell_max_v
    assert two.pack_figures.packs == second.pack_figures.packs == 2
    assert two.whole is not None
    assert (two.whole.pack_figures.packs, two.whole.pack_figures.rated_ah) == (1, 35.0)
    assert as_pack(two, 3) is None
    assert not two.doubts


def test_what_both_packs_feed_is_judged_by_both(tmp_path: Path) -> None:
    two, one = (
        loaded(tmp_path / "2"),
        loaded(tmp_path / "1", one_pack_text().replace("cells = 12 ", "beside = 2\ncells = 12 ")),
    )
    assert not [r.id for r in all_rules().values() if why_not(r, two)]
    refused = why_not(all_rules()["regen_refused_unexplained"], one)
    assert "one of 2 packs side by side is mapped" in refused
    unlike = loaded(
        tmp_path / "3", two_packs_text().replace(HEAD, HEAD + 'chemistry = "NMC"\ncell_min_v = 2.6\ncell_max_v = 4.2\n')
    )
    assert "cells that are not alike" in why_not(all_rules()["regen_refused_unexplained"], unlike)


def test_a_rule_names_the_pack_that_it_lacks_something_of(tmp_path: Path) -> None:
    text = two_packs_text()
    less = re.sub(r"^cell_temp = .*BMS2_.*\n", "", text, flags=re.M)
    assert less != text
    two = loaded(tmp_path, less.replace(HEAD, HEAD))
    assert lacking(all_rules()["heat_without_load"], two) == ["pack 2: cell_temp"]
    assert lacking(all_rules()["weak_group"], two) == []


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        (
            '"BMS2_Pack.PackVoltage"',
            '"BMS2_Pack.PackVolts"',
            "pack 2: role pack_voltage: message BMS2_Pack has no signal PackVolts",
        ),
        (
            '"BMS2_Cells.Group{n:02d}"',
            '"BMS_Cells.Group{n:02d}"',
            "pack 2: cell_voltage reads BMS_Cells.Group01, which is cell_voltage of pack 1 already",
        ),
        (
            ROLES,
            ROLES + 'vehicle_speed = "VEH_Motion.WheelSpeed"\n',
            "pack 2: vehicle_speed is a role of the vehicle, not of a pack",
        ),
        (ROLES, ROLES + 'pack_serial = "ID_Pack.PackSerial"\n', "pack 2: the serial of a further pack is not followed"),
        (
            ROLES,
            ROLES + 'pack_volage = "BMS2_Pack.PackVoltage"\n',
            "pack 2: role 'pack_volage' is not known; did you mean pack_voltage",
        ),
        (HEAD, HEAD + "cells = 11\n", "pack 2: [[other_pack]] cells = 11, but cell_voltage maps 12 groups"),
        (HEAD, HEAD + "rated_Ah = 15\n", "[[other_pack]] rated_Ah is not known. Did you mean rated_ah?"),
        (HEAD, HEAD + "rated_ah = -4\n", "[[other_pack]] rated_ah = -4 cannot be"),
        (HEAD, HEAD + "beside = 2\n", "how many packs there are stands in [pack]"),
        (HEAD, HEAD + 'chemistry = "LPF"\n', "pack 2: [[other_pack]] no such chemistry: 'LPF'"),
        (HEAD, HEAD + "cell_max_v = 4.4\n", "pack 2: [[other_pack]] cell_max_v = 4.4 cannot be a limit of LFP"),
        (HEAD, "[other_pack]\n", "is not written as a list. Write [[other_pack]]"),
    ],
)
def test_a_mistake_in_the_second_pack_is_told_with_its_line(tmp_path: Path, old: str, new: str, said: str) -> None:
    text = two_packs_text().replace(old, new, 1)
    assert text != two_packs_text()
    with pytest.raises(ProfileError) as told:
        loaded(tmp_path, text)
    assert said in str(told.value)
    number = int(re.findall(r"line (\d+)", str(told.value))[0])
    assert number >= line_of(two_packs_text(), HEAD), str(told.value)


def test_a_table_without_signals_is_told(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match=r"maps nothing: without its signals it cannot be judged"):
        loaded(tmp_path, one_pack_text() + "\n[[other_pack]]\nrated_ah = 20.0\n")


def test_what_both_share_is_said_once(tmp_path: Path) -> None:
    """One main switch for both packs is no slip where the profile says so."""
    line = re.search(r"^contactor_state = \{ signal = \"BMS2_Limits.Contactor\"", two_packs_text(), re.M)
    assert line
    text = two_packs_text().replace(line[0], line[0].replace("BMS2_", "BMS_"))
    with pytest.raises(ProfileError, match="contactor_state of pack 1 already"):
        loaded(tmp_path, text)
    shared = line[0].replace("BMS2_", "BMS_").replace("{ signal", "{ shared = true, signal")
    assert loaded(tmp_path, two_packs_text().replace(line[0], shared)).others


def test_more_packs_than_are_mapped_are_told(tmp_path: Path) -> None:
    [doubt] = loaded(tmp_path, two_packs_text().replace("cells = 12 ", "beside = 3\ncells = 12 ")).doubts
    assert "the 2 packs that are mapped are judged, the other is not" in doubt.what


def test_the_second_pack_is_part_of_what_a_profile_means(tmp_path: Path) -> None:
    """A corrected second pack has a vehicle measured and judged again; of one pack nothing changes."""
    two = loaded(tmp_path / "a")
    other = loaded(tmp_path / "b", two_packs_text().replace(HEAD, HEAD + "rated_ah = 14.0\n"))
    one = loaded(tmp_path / "c", one_pack_text())
    assert len({measures_by(p) for p in (one, two, other)}) == 3
    assert len({judges_by(p) for p in (one, two, other)}) == 3


def test_names_of_a_pack_and_back() -> None:
    assert [marked(n, "charge_ah") for n in (1, 2)] == ["charge_ah", "pack_2_charge_ah"]
    assert [unmarked(n) for n in ("charge_ah", "pack_2_charge_ah", "pack_run_ah")] == [
        (1, "charge_ah"),
        (2, "charge_ah"),
        (1, "pack_run_ah"),
    ]
    assert [pack_of(item_of(2, item)) for item in ("cell 7", "")] == [(2, "cell 7"), (2, "")]
    assert pack_of("cell 7") == (0, "cell 7")


def test_a_doubt_about_the_third_pack_is_none_about_the_second() -> None:
    doubts = {"pack_3_cell_voltage": "third", "cell_voltage": "first", "vehicle_speed": "all"}
    assert of_this_pack(doubts, 2) == {"vehicle_speed": "all"}
    assert of_this_pack(doubts, 3) == {"cell_voltage": "third", "vehicle_speed": "all"}


def test_a_draft_of_two_packs_is_a_profile_of_two_packs(tmp_path: Path) -> None:
    """From the DBC to both packs without a line by hand but whose logs they are and the figures."""
    path = write_dbc(tmp_path)
    text = draft(Network.load([path]).messages, [path.name], "drafted")
    (tmp_path / "drafted.toml").write_text(text, "utf-8")
    two = load_profile(tmp_path / "drafted.toml")
    [second] = two.others
    wanted = {
        m.role: m.message
        for m in load_profile(write_profile(tmp_path / "x")).others[0].roles
        if m.message.startswith("BMS2")
    }
    assert {m.role: m.message for m in second.roles if m.message.startswith("BMS2")} == wanted
    assert not [m for m in two.roles if m.message.startswith("BMS2")]
    assert any("look like a further pack" in line for line in text.splitlines() if line.startswith("# - "))


PACK = ["PackVoltage|V|60", "PackCurrent|A|100", "Soc|%|100"]
CELLS = [f"CellV{n}|V|5" for n in range(1, 5)]


@pytest.mark.parametrize(
    ("messages", "second"),
    [
        ({"BMS1_Pack": PACK, "BMS1_Cells": CELLS, "BMS2_Pack": PACK, "BMS2_Cells": CELLS}, {"BMS2_Pack", "BMS2_Cells"}),
        (
            {"BATT_A_State": PACK, "BATT_A_Cells": CELLS, "BATT_B_State": PACK, "BATT_B_Cells": CELLS},
            {"BATT_B_State", "BATT_B_Cells"},
        ),
        ({"Pack_1": PACK, "Pack_2": PACK, "Cells_1": CELLS, "Cells_2": CELLS}, {"Pack_2", "Cells_2"}),
        ({"BMS_Pack": PACK, "BMS_Cells_1": CELLS, "BMS_Cells_2": CELLS}, set()),  # two pages of one pack, or who knows
        ({"BMS_Pack": PACK, "MOT_1": ["Speed|rpm|9000"], "MOT_2": ["Speed|rpm|9000"]}, set()),
    ],
)
def test_twins_are_packs_only_with_a_packs_own_figures(
    tmp_path: Path, messages: dict[str, list[str]], second: set[str]
) -> None:
    (tmp_path / "a.dbc").write_text(dbc(*messages.items()))
    text = draft(Network.load([tmp_path / "a.dbc"]).messages, ["a.dbc"], "p")
    _, _, table = text.partition("[other_pack.roles]")
    used = {
        name
        for name in messages
        for line in table.split("# Signals")[0].splitlines()
        if f'"{name}.' in line and not line.startswith("#")
    }
    assert used == second
