"""Packs side by side: the mapped one is judged, and what is not is said; nothing of it is silent."""

from __future__ import annotations

from pathlib import Path

from herdbook.decoders import Network
from herdbook.pipeline.commands.terminal.contact import lines
from herdbook.pipeline.health.judgeable import why_not
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.lake.role_views import view_of_log
from herdbook.pipeline.vehicle.contact.check import Word
from herdbook.pipeline.vehicle.contact.hold import hold_profile
from herdbook.pipeline.vehicle.draft.write import draft
from herdbook.pipeline.vehicle.profile import Profile, load_profile
from tests.vehicle.test_contact import LOGS, ROOT, zirbel
from tests.vehicle.test_draft import dbc


def profile(folder: Path, old: str, new: str) -> Profile:
    (folder / "zirbel.dbc").write_bytes((ROOT / "dbc_demo" / "zirbel.dbc").read_bytes())
    text = zirbel().replace(old, new)
    assert text != zirbel()
    (folder / "zirbel.toml").write_text(text, "utf-8")
    return load_profile(folder / "zirbel.toml")


def test_one_of_two_packs_is_judged_and_the_rest_is_said(tmp_path: Path) -> None:
    two = profile(tmp_path, "cells = 12 ", "beside = 2\ncells = 12 ")
    [said] = [str(d) for d in two.doubts]
    assert "the pack that is mapped is judged, the other is not" in said
    assert "[[other_pack]]" in said
    reasons = {name: why_not(rule, two) for name, rule in all_rules().items()}
    assert "one of 2 packs" in reasons["regen_refused_unexplained"]
    assert not reasons["weak_group"]
    assert not reasons["group_over_voltage"]
    assert not reasons["torque_after_release"]


def test_a_pack_that_carries_half_contradicts_the_drive_until_it_is_said(tmp_path: Path) -> None:
    """Its current alone is too little for the motors; as one of two packs it is right."""
    halved = profile(
        tmp_path,
        'pack_current = "BMS_Pack.PackCurrent"',
        'pack_current = { signal = "BMS_Pack.PackCurrent", scale = 0.5, meant = true }',
    )
    rides = LOGS[:2]

    def told(one: Profile) -> dict[str, str]:
        views = [view_of_log(ROOT / "demo_logs" / "fleet" / log, one, log[:7]) for log in rides]
        return {c.check: c.do for c in hold_profile(one, views).told}

    alone = told(halved)
    assert "[pack] beside" in alone["motor_power"]
    path = tmp_path / "zirbel.toml"
    path.write_text(path.read_text("utf-8").replace("cells = 12 ", "beside = 2\ncells = 12 "), "utf-8")
    assert not {"motor_power", "energy_per_km", "regen_back"} & set(told(load_profile(path)))


def test_a_look_at_logs_says_that_the_other_pack_is_not_judged(tmp_path: Path) -> None:
    """As an open line with what to do: no doubt of the profile, so that no rule is kept from judging."""
    two = profile(tmp_path, "cells = 12 ", "beside = 2\ncells = 12 ")
    [line] = [c for c in hold_profile(two, []).checked if c.check == "other_packs"]
    assert line.verdict is Word.OPEN
    assert "the other is not" in line.found
    assert "[[other_pack]]" in line.do
    assert line.found in [found for _, _, found in lines([line])]
    one = load_profile(ROOT / "dbc_demo" / "zirbel.toml")
    assert "other_packs" not in {c.check for c in hold_profile(one, []).checked}


def test_a_sum_of_currents_beside_the_groups_of_one_pack_is_told(tmp_path: Path) -> None:
    made = profile(
        tmp_path,
        'pack_current = "BMS_Pack.PackCurrent"',
        'pack_current = { value = "BMS_Pack.PackCurrent + MOT_Left.LeftTorqueCurrent", unit = "A" }',
    )
    assert any("packs side by side" in d.what and "[[other_pack]]" in d.do for d in made.doubts)


def test_a_draft_names_the_second_pack(tmp_path: Path) -> None:
    cells = [f"CellV{n}|V|5" for n in range(1, 9)]
    (tmp_path / "a.dbc").write_text(dbc(("BMS_A_Cells", cells), ("BMS_B_Cells", cells)))
    text = draft(Network.load([tmp_path / "a.dbc"]).messages, ["a.dbc"], "p")
    [todo] = [line for line in text.splitlines() if "second pack" in line]
    assert "BMS_B_Cells" in todo
    assert "[[other_pack]]" in todo
