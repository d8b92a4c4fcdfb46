"""The evaluation, by a case small enough to count by hand, and its command's exit codes."""

from __future__ import annotations

import json
from pathlib import Path

import duckdb
import pytest

from demo_logs.evaluate import main
from demo_logs.scorecard import Said, TrueFault, TrueVehicle, same_item, score

DAY = 86_400_000_000
MONTH = int(30.4375 * DAY)
TRUTH = [
    TrueVehicle("A", "zirbel", (TrueFault("weak_group", "7", 2.0, 5 * DAY),), (), 0, 2 * MONTH),
    TrueVehicle("B", "zirbel", (TrueFault("imbalance", "3", 5.0, 0),), (), 0, 2 * MONTH),
    TrueVehicle("C", "zirbel", (), ("full_pack",), 0, 2 * MONTH),
    TrueVehicle("D", "zirbel", (), (), 0, 2 * MONTH),
]
SAID = [
    Said("A", "weak_group", "service", "cell 7", 9 * DAY),  # right, four days late
    Said("A", "belt_slip", "service", "left", 9 * DAY),  # wrong word
    Said("B", "out_of_balance", "service", "cell 9", 0),  # right rule, wrong group: not found, false
    Said("C", "regen_refused_explained", "note", "", 0),  # true word about a sound vehicle
    Said("D", "link_loss", "service", "", 0),  # false alarm
]


def test_score_counts_as_a_hand_would() -> None:
    card = score(TRUTH, SAID)
    assert [f.found for f in card.faults] == [True, False]
    assert card.faults[0].delay_days == pytest.approx(4.0)
    assert [(s.vehicle, s.rule) for s in card.false] == [
        ("A", "belt_slip"),
        ("B", "out_of_balance"),
        ("D", "link_loss"),
    ]
    assert card.healthy == 2
    assert card.healthy_months == pytest.approx(4.0)
    assert card.per_100_months("service") == pytest.approx(25.0)
    assert card.per_100_months("stop-use") == 0.0
    assert [m.vehicle for m in card.missed] == ["B"]
    assert dict(card.confusion["weak_group"]) == {"belt_slip": 1}


@pytest.mark.parametrize(
    ("said", "item", "same"),
    [
        ("cell 8", "8", True),
        ("cells 6-7", "6", True),
        ("cell 18", "8", False),
        ("left", "left", True),
        ("right", "left", False),
        ("sensor 3", "3", True),
        ("", "", True),
    ],
)
def test_same_item(said: str, item: str, same: bool) -> None:
    assert same_item(said, item) is same


def _store(folder: Path, *rows: tuple[str, str, str, str]) -> Path:
    folder.mkdir()
    with duckdb.connect(str(folder / "fleet.duckdb")) as con:
        con.execute(
            "CREATE TABLE findings (vehicle VARCHAR, rule VARCHAR, severity VARCHAR, item VARCHAR, first_t TIMESTAMP)"
        )
        for row in rows:
            con.execute("INSERT INTO findings VALUES (?, ?, ?, ?, '2026-03-02')", row)
    return folder


def test_exit_codes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    truth = tmp_path / "truth.json"
    faults = [{"name": "weak_group", "item": 7, "size": 2.0, "onset": 0, "unit": "times"}]
    vehicles = [
        {"vehicle": "A", "profile": "zirbel", "faults": faults, "harmless": {}, "first": 0, "last": MONTH},
        {"vehicle": "D", "profile": "zirbel", "faults": [], "harmless": {}, "first": 0, "last": MONTH},
    ]
    truth.write_text(json.dumps({"seed": 1, "vehicles": vehicles}))
    found = ("A", "weak_group", "service", "cell 7")
    good = _store(tmp_path / "good", found)
    noisy = _store(tmp_path / "noisy", found, ("D", "belt_slip", "service", "left"))
    blind = _store(tmp_path / "blind")
    for store, code in ((good, 0), (noisy, 1), (blind, 1), (tmp_path / "nowhere", 2)):
        assert main(["--store", str(store), "--truth", str(truth)]) == code
    capsys.readouterr()
    assert main(["--store", str(good), "--truth", str(truth), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["recall_at_serviceable_size"] == 1.0
