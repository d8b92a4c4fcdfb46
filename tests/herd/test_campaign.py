"""Did a campaign help? Over invented vehicles whose truth is known, good cases and bad ones."""

from __future__ import annotations

import json
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from typer.testing import CliRunner

from herdbook.pipeline.book import book
from herdbook.pipeline.book.entry import moment
from herdbook.pipeline.cli import build
from herdbook.pipeline.errors import NotKnownError, SettingsError, StoreError
from herdbook.pipeline.health.herd_figures import figure
from herdbook.pipeline.herd.campaign import CampaignEffect, campaign_effect
from herdbook.pipeline.herd.campaign_counts import campaign_counts
from herdbook.pipeline.herd.horizon import record_end
from tests.herd.books import T0, Con, catalogue, insert, installed, vehicle, without_book
from tests.herd.invented import store_of
from tests.night.tables import insert_rows

UNTIL = T0 + timedelta(days=1000)
DAY = 300


def herd(con: Con, with_it: int, without: int, effect: float, apart: float = 0.0, seed: int = 1) -> None:
    """A value every fifth day of 400; those with it change by `effect` on day 300, and always by `apart` a day."""
    draw = np.random.default_rng(seed)
    for i in range(with_it + without):
        name, got = f"v{i:02d}", i < with_it
        vehicle(con, name)
        t = np.arange(0, 400, 5)
        y = 20 + draw.normal(0, 1) + np.sin(t / 50) + draw.normal(0, 0.5, t.size)
        y += got * (effect * (t >= DAY) + apart * t)
        con.execute(
            "INSERT INTO metrics SELECT ?, ? + to_days(5 * i::INT), 'consumption_wh_km', '', values[i + 1], 'Wh/km', "
            "NULL, 1, 1 FROM (SELECT unnest(range(0, 80)) AS i, ?::DOUBLE[] AS values)",
            [name, T0, y.tolist()],
        )
        if got:
            t0 = T0 + timedelta(days=DAY)
            given = {"kind": "campaign", "said": "Firmware 4.2 flashed", "zone": "UTC", "from_t": t0, "to_t": t0}
            insert(con, "service_book", entry=i, vehicle=name, **given)


def asked(con: Con, what: str = "firmware 4.2") -> CampaignEffect:
    return campaign_effect(con, what, figure("use"), until=UNTIL)


def test_an_effect_is_measured_and_placebos_are_quiet() -> None:
    con = catalogue()
    herd(con, 15, 25, effect=-2.0)
    found = asked(con)
    assert found.effect is not None
    assert found.effect.low < -2.0 < found.effect.high < 0
    assert (found.effect.treated, found.effect.controls, found.got, found.others) == (15, 25, 15, 25)
    assert len(found.placebos) == 3
    assert all((p.effect.treated, p.effect.controls) == (15, 25) for p in found.placebos)
    assert found.words == "lower with it than without: better"


def test_a_season_is_no_effect() -> None:
    """All go along the same wave, which moves by about 1 around that day."""
    con = catalogue()
    herd(con, 15, 25, effect=0.0, seed=3)
    found = asked(con)
    assert found.effect is not None
    assert abs(found.effect.change) > 0.3
    assert found.words == "no more than chance may give"


def test_ways_that_parted_before_allow_no_word() -> None:
    con = catalogue()
    herd(con, 15, 25, effect=0.0, apart=-0.02)
    found = asked(con)
    assert found.apart
    assert found.words == "cannot be told: those with and without it went apart before it already"


def test_without_controls_nothing_is_told() -> None:
    con = catalogue()
    herd(con, 15, 2, effect=-2.0)
    assert asked(con).words.startswith("not enough to say: 2 vehicles of the type without it")
    con = catalogue()
    herd(con, 3, 25, effect=-2.0)
    assert asked(con).words.startswith("not enough to say: 3 with and 25 without it")


def test_a_firmware_counts_from_when_a_bus_named_it_after_another() -> None:
    con = catalogue()
    herd(con, 12, 20, effect=-2.0)
    con.execute("DELETE FROM service_book")
    for i in range(32):
        installed(con, f"v{i:02d}", "controller_firmware", "41", 0)
        if i < 12:
            installed(con, f"v{i:02d}", "controller_firmware", "42", DAY)
    found = asked(con, "42")
    assert found.known_by == "the firmware that the controller named"
    assert found.words == "lower with it than without: better"
    with pytest.raises(NotKnownError, match="Known: 41, 42"):
        asked(con, "43")


def booked(con: Con, name: str, kind: str, *days: float, **more: str) -> None:
    entry = con.execute("SELECT count(*) FROM service_book").fetchall()[0][0]
    alike = {"vehicle": name, "kind": kind, "zone": "UTC", **more}
    times = [T0 + timedelta(days=day) for day in days]
    rows = [{**alike, "entry": entry + k, "from_t": t, "to_t": t} for k, t in enumerate(times)]
    insert_rows(con, "service_book", rows)


def counted_herd(con: Con, ratio: float, *, with_it: int = 15, without: int = 25, apart: float = 1.0) -> None:
    """Of 500 days, a repair every 20 or so; with it `ratio` as many from day 300 on, and `apart` from day 240 on."""
    draw = np.random.default_rng(5)
    for i in range(with_it + without):
        name, got = f"v{i:02d}", i < with_it
        vehicle(con, name)
        booked(con, name, "complaint", 0, said="first")
        rate = np.full(500, 1 / 20.0)
        if got:
            booked(con, name, "campaign", DAY, said="Belts changed")
            rate[DAY:] *= ratio
            rate[DAY - 60 :] *= apart
        days = np.flatnonzero(draw.random(500) < rate)
        booked(con, name, "repair", *(int(day) + 0.1 for day in days), part="belt left", said="worn")


def test_repairs_made_rarer_are_told_with_the_ratio_and_quiet_placebos() -> None:
    con = catalogue()
    counted_herd(con, 0.25)
    found = campaign_counts(con, "belts", "repairs", part="belt", days=100, until=UNTIL)
    assert found.words == "rarer with it than without"
    assert found.effect is not None
    assert found.effect.low < 0.25 < found.effect.high < 1
    assert len(found.placebos) == 2  # the book begins with day 0
    assert not found.apart
    assert campaign_counts(con, "belts", "repairs", part="pack", days=100, until=UNTIL).words.startswith("not enough")


@pytest.mark.parametrize("zone", ["UTC", "Europe/Berlin", "America/New_York"])
def test_what_is_entered_for_the_day_of_the_campaign_counts_on_neither_side(zone: str) -> None:
    """Every vehicle's old belt is taken out on that day, and that is no repair before it."""
    con = catalogue()
    of = ZoneInfo(zone)

    def enter(name: str, kind: str, day: str, **more: str) -> None:
        from_t, to_t = moment(day, of)
        entry = con.execute("SELECT count(*) FROM service_book").fetchall()[0][0]
        insert(con, "service_book", entry=entry, vehicle=name, kind=kind, zone=zone, from_t=from_t, to_t=to_t, **more)

    for i in range(12):
        name = vehicle(con, f"v{i:02d}")
        enter(name, "complaint", "2026-03-02", said="first")
        enter(name, "repair", "2026-05-20", part="belt left", said="worn")
        enter(name, "repair", "2026-06-20", part="belt left", said="worn")
        if i < 6:
            enter(name, "removed", "2026-06-01", part="belt left")
            enter(name, "campaign", "2026-06-01 14:30" if i % 2 else "2026-06-01", said="Belts changed")
    found = campaign_counts(con, "belts", "repairs", days=40, until=UNTIL).effect
    assert found is not None
    assert (found.before, found.after, found.control_before, found.control_after) == (6, 6, 6, 6)
    assert found.ratio == pytest.approx(1, abs=0.05)


def test_repairs_that_went_apart_before_allow_no_word() -> None:
    """As where the campaign went to those that had just come back often."""
    con = catalogue()
    counted_herd(con, 0.2, apart=5.0)
    assert campaign_counts(con, "belts", "repairs", days=60, until=UNTIL).words.startswith("cannot be told")


@pytest.mark.parametrize(
    "more", [("--count", "repairs", "--figure", "heat"), ("--count", "findings", "--part", "belt"), ("--part", "belt")]
)
def test_what_does_not_go_together_is_refused(tmp_path: Path, more: tuple[str, ...]) -> None:
    with pytest.raises(SettingsError):
        CliRunner().invoke(
            build(), ["herd", "campaign", "belts", "--store", str(tmp_path), *more], catch_exceptions=False
        )


def test_counts_on_the_terminal_and_as_json(tmp_path: Path) -> None:
    store_of(tmp_path, vehicles=30)

    def said(*more: str) -> str:
        asked = ["herd", "campaign", "firmware 2", "--store", str(tmp_path), "--days", "120", "--count", *more]
        done = CliRunner().invoke(build(), asked, catch_exceptions=False)
        assert done.exit_code == 0
        return " ".join(done.output.split())

    text = said("repairs", "--part", "pack")
    assert "firmware 2, by the service book: 15 vehicles, 2026-04-30; 15 of the type without it." in text
    assert "Repairs of the pack" in text
    nothing = json.loads(said("complaints", "--json"))
    assert nothing["words"] == "not enough to say: too few complaints among those with it"
    assert (nothing["effect"]["before"], nothing["effect"]["ratio"], nothing["effect"]["high"]) == (0, None, None)
    assert "of the type without it" not in said("findings")  # none has a record: nobody knows the types


def test_findings_count_by_days_on_record() -> None:
    """Half of the vehicles ride half as often; with the campaign, a rule finds something on every second ride only."""
    con = catalogue()
    insert(con, "scans", scan="s", started_t=UNTIL, state="complete")
    for i in range(24):
        name, got, step = f"v{i:02d}", i < 12, 2 + 2 * (i % 2)
        vehicle(con, name)
        if got:
            booked(con, name, "campaign", DAY, said="Belts changed")
        rides, told = [], []
        for order, day in enumerate(range(200, 400, step)):
            start = T0 + timedelta(days=day)
            rides.append({"vehicle": name, "start_t": start, "end_t": start + timedelta(hours=1), "kind": "ride"})
            if order % 4 == 0 and not (got and day > DAY and order % 8):
                of = {"scan": "s", "vehicle": name, "rule": "brake_late", "change": "new", "severity": "service"}
                told.append({**of, "statement": "", "first_t": start + timedelta(hours=2), "item": str(day)})
        insert_rows(con, "sessions", rides)
        insert_rows(con, "finding_log", told)
    found = campaign_counts(con, "belts", "brake_late", days=100, until=UNTIL)
    assert found.effect is not None
    assert found.effect.control_change == pytest.approx(1, abs=0.1)
    assert found.effect.ratio == pytest.approx(0.5, abs=0.1)
    assert campaign_counts(con, "belts", "findings", days=100, until=UNTIL).effect == found.effect
    with pytest.raises(NotKnownError) as refused:
        campaign_counts(con, "belts", "brakelate", until=UNTIL)
    assert "Did you mean brake_late?" in refused.value.do


@pytest.mark.slow
def test_a_true_nothing_is_called_an_effect_as_rarely_as_is_said() -> None:
    """The words of 40 herds without an effect: 5 % are 2; 6 or more would come by chance in 1 of 70 such tests."""
    told = 0
    draw = np.random.default_rng(9)
    for _ in range(40):
        con = catalogue()
        insert_all(con, draw)
        found = campaign_counts(con, "x", "repairs", days=90, until=UNTIL)
        told += found.words.startswith(("rarer", "more often"))
    assert told <= 5, told


def insert_all(con: Con, draw: np.random.Generator) -> None:
    """24 vehicles of unlike proneness; what comes back often comes back again soon."""
    rows = [(i, "complaint", 0.0) for i in range(24)] + [(i, "campaign", 100.0) for i in range(10)]
    for i in range(24):
        vehicle(con, f"v{i:02d}")
        for day in np.flatnonzero(draw.random(200) < draw.gamma(2, 0.01)):
            rows.append((i, "repair", float(day) + 0.1))
            if draw.random() < 0.4:
                rows.append((i, "repair", float(day) + 1.1))
    con.execute(
        "INSERT INTO service_book SELECT row_number() OVER (), 'v' || lpad(u.i::VARCHAR, 2, '0'), u.kind, "
        "t, t, 'UTC', '', '', '', '', '', '', '', 'x', '', $t0, '', NULL FROM "
        "(SELECT u, $t0 + to_microseconds((u.day * 86400e6)::BIGINT) AS t FROM (SELECT unnest($rows) AS u))",
        {"t0": T0, "rows": [{"i": i, "kind": kind, "day": day} for i, kind, day in rows]},
    )


def test_the_watch_ends_with_the_newest_record_whenever_it_is_asked() -> None:
    con = catalogue()
    counted_herd(con, 1.0, with_it=2, without=2)
    end = record_end(con, UNTIL)
    assert T0 + timedelta(days=400) < end < T0 + timedelta(days=501)
    assert record_end(con, UNTIL + timedelta(days=4000)) == end
    assert record_end(con, T0) == T0
    con.execute("UPDATE vehicles SET last_t = ? WHERE vehicle = 'v00'", [T0 + timedelta(days=700)])
    assert record_end(con, UNTIL) == T0 + timedelta(days=700)


def test_a_copy_that_knows_no_service_book_is_no_empty_book() -> None:
    con = catalogue()
    without_book(con)
    for ask in (lambda: record_end(con, UNTIL), lambda: book.entered(con)):
        with pytest.raises(StoreError, match="older Herdbook") as refused:
            ask()
        assert "herdbook store publish" in refused.value.do
