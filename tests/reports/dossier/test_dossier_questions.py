"""What a reliability engineer asks of a dossier beyond its figures; expected answers worked out from the rows here."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path

import pytest

from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.health.rules.pack_capacity_low import RULE as CAPACITY
from herdbook.pipeline.health.rules.torque_after_release import RULE as TORQUE
from herdbook.pipeline.reports import write_dossier
from herdbook.pipeline.reports.dossier import limit_test
from herdbook.pipeline.reports.dossier.lost_frames import where
from herdbook.pipeline.store.store import Store
from tests.reports.made_up import T0, Catalogue


def cells(page: str, caption: str) -> list[list[str]]:
    """The body rows of the table with that caption."""
    found = re.search(rf"<caption[^>]*>{re.escape(caption)}</caption>(.*?)</table>", page, re.DOTALL)
    assert found is not None, caption
    body = found[1].split("<tbody>")[1]
    return [re.findall(r"<t[dh][^>]*>(.*?)</t[dh]>", row, re.DOTALL) for row in body.split("<tr>")[1:]]


def test_a_silent_sender_and_a_lost_frame_are_told_apart(tmp_path: Path) -> None:
    """A counter that jumps was sent and lost; one that runs on over a pause was not sent; without one, nobody knows.
    In the second log three of three cyclic messages miss frames at once."""
    book = Catalogue(tmp_path)
    book.vehicle("VX-080")
    for day, rows in enumerate(
        (
            [("Pack", 12, 3), ("Drive", 5, 0), ("Cells", 2, None), ("Charger", 0, 0), ("Remote", 0, 0)],
            [("Pack", 40, 2), ("Drive", 44, 3), ("Cells", 9, None)],
        )
    ):
        log = book.log("VX-080", T0 + timedelta(days=day), name=f"{day}.log")
        for message, missed, jumps in rows:
            book.add(
                "log_messages",
                log=log,
                message=message,
                channel="",
                frames=1000,
                start_t=T0,
                end_t=T0,
                cycle_ms=100.0,
                median_ms=100.0,
                p99_ms=120.0,
                missed=missed,
                counter_gaps=jumps,
                counter_repeats=None,
                checksum_failures=None,
            )
    page = write_dossier(book.close(), "VX-080", tmp_path / "d.html").read_text("utf-8")
    first, second = cells(page, "Frames that are missing, and who lost them")
    assert first[0] == "0.log"
    assert first[2:] == ["19", "sent and not recorded: Pack; not sent: Drive; cannot be told: Cells"]
    assert second[3].startswith("3 of 3 cyclic messages miss frames in this log: the logger or the whole bus; ")


def test_few_messages_are_no_whole_bus() -> None:
    row = {"cyclic": 2, "missing": 2, "jumped": ["A"], "unbroken": None, "blind": None}
    assert where(row) == "sent and not recorded: A"


def test_what_came_first_is_in_order(store: Store, out: Path) -> None:
    """By the rows: group 7 was first seen on T0, and so was the brake; the pack P-0087 first on day 21."""
    page = write_dossier(store, "VX-014", out).read_text("utf-8")
    rows = cells(page, "What came first")
    whats = [row[1] for row in rows]
    assert whats.index("Pack P-0087 seen for the first time") == 2
    assert set(whats[:2]) == {"Brake asked for and not delivered", "One group resists more than its peers cell 7"}


def test_units_with_the_same_finding_and_what_became_of_them(tmp_path: Path) -> None:
    """Of the two other units ever told of for it, one got a stop-use finding a scan later; one before, so not after."""
    book = Catalogue(tmp_path)
    for n, scan in enumerate(("a", "b", "c")):
        book.scan(scan, T0 + timedelta(days=10 * n))
    for name in ("VX-090", "VX-091", "VX-092"):
        book.vehicle(name)
        book.session(name, T0, "ride", 0.5, [book.log(name, T0)])
    book.finding("VX-090", "weak_group", title="A weak group")
    for scan, name, rule, severity in (
        ("a", "VX-090", "weak_group", "service"),
        ("b", "VX-091", "weak_group", "service"),
        ("c", "VX-091", "regen_dropout", "stop-use"),
        ("a", "VX-092", "regen_dropout", "stop-use"),
        ("b", "VX-092", "weak_group", "service"),
    ):
        book.add(
            "finding_log", scan=scan, vehicle=name, rule=rule, item="", change="new", severity=severity, statement="x"
        )
    page = write_dossier(book.close(), "VX-090", tmp_path / "d.html").read_text("utf-8")
    assert cells(page, "The same findings on other units of this profile") == [["A weak group", "1 of 3", "2", "1"]]


@pytest.mark.parametrize("rule", list(all_rules().values()), ids=lambda r: r.id)
def test_a_rules_own_case_gives_its_finding_again_and_every_limit_is_tried(rule: object) -> None:
    from herdbook.pipeline.health.engine import apply
    from herdbook.pipeline.health.rule import NotAssessed, Rule

    assert isinstance(rule, Rule)
    record = rule.cases().fires_on[0]
    said = apply(rule, record)
    assert not isinstance(said, NotAssessed)
    found = limit_test.judge_again(rule, record, {"item": said[0].item, "severity": said[0].severity})
    assert found.why_not == ""
    assert len(found.moved) == len(rule.limits)


def test_a_finding_that_hangs_on_a_limit_is_told() -> None:
    """24 Ah of 30 is 80 %, within 1.6 %: with the limit of 80 % a tenth lower (72 %) it is no longer beyond it; a tenth
    higher it stands. A release held on for 1.4 s stands whatever limit moves by a tenth."""
    record = CAPACITY.cases().fires_on[3]
    found = limit_test.judge_again(CAPACITY, record, {"item": "", "severity": "service"})
    act = next(m for m in found.moved if m.limit.startswith("act"))
    assert act.down != "service"
    assert act.up == "service"
    assert "act (80" in found.text
    again = limit_test.judge_again(CAPACITY, record, {"item": "cell 3", "severity": "service"})
    assert again.why_not == "its rule does not give it again on the published record"
    assert TORQUE.id == "torque_after_release"


def test_nothing_is_run_with_other_rules_than_the_findings_were_made_by(store: Store, out: Path) -> None:
    page = write_dossier(store, "VX-014", out).read_text("utf-8")
    assert "Whether it stands with other limits was not tried" in page


def test_no_metric_is_named_where_a_reason_is_told(tmp_path: Path) -> None:
    book = Catalogue(tmp_path)
    book.vehicle("VX-095")
    book.session("VX-095", T0, "ride", 0.5, [book.log("VX-095", T0)])
    why = "not in the record: cell_offset_top_pct (the profile demo maps no cell_voltage)"
    book.add("not_assessed", vehicle="VX-095", rule="leaking_group", subsystem="cells", reason=why)
    page = write_dossier(book.close(), "VX-095", tmp_path / "d.html").read_text("utf-8")
    [row] = cells(page, "What could not be judged on this unit")
    assert row[0] == "cells"
    assert row[1] == "Leaking group"  # no rule set on record names it: the id, made readable
    assert row[2] == (
        "nothing about readings of each group near full: this vehicle type does not report cell voltage, as its "
        "profile stands"
    )


def test_each_pack_has_its_own_use(tmp_path: Path) -> None:
    """Pack A: a charge of 15 of 30 Ah out of a full swing; pack B: none. Figures of one never enter the other's."""
    book = Catalogue(tmp_path)
    book.vehicle("VX-097")
    for day, pack in ((0, "A"), (10, "B")):
        start = T0 + timedelta(days=day)
        book.session("VX-097", start, "charge", 1.0, [book.log("VX-097", start, hours=2.0)])
        book.metric("VX-097", start, "pack_cycles_efc", 0.5 if pack == "A" else 0.25, "1", se=0.01)
        book.add(
            "installs",
            vehicle="VX-097",
            component="pack",
            serial=pack,
            from_t=start,
            to_t=start + timedelta(hours=1),
            known_by="bus",
        )
    page = write_dossier(book.close(), "VX-097", tmp_path / "d.html").read_text("utf-8")
    section = page.split('<section id="use"')[1].split("</section>")[0]
    a, b = section.split("Pack B, 2026-03-11")
    assert "Pack A, 2026-03-01" in a
    assert "0.5000 ± 0.0100" in a or "0.500 ± 0.010" in a
    assert "0.250 ± 0.010" in b


def test_the_last_minute_is_drawn_at_full_rate(store: Store, out: Path) -> None:
    """The newest session is the charge that begins 49 days, 1.7 h after T0 and lasts 0.3 h: it ends at 09:00 UTC, 11:00
    in Vienna; the newest ride ends 0.3 h earlier, at 10:36. The made-up wires carry 20 samples a second."""
    page = write_dossier(store, "VX-014", out).read_text("utf-8")
    assert "End of the newest record (charge): 2026-04-19 10:59:00 to 11:00:00" in page
    assert "End of the newest ride (ride): 2026-04-19 10:35:00 to 10:36:00" in page
    section = page.split('<section id="last"')[1].split("</section>")[0]
    assert "Every sample is drawn" in section
