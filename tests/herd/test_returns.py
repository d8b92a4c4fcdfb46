"""How often vehicles come back, over an invented herd whose truth is known."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest

from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.herd.returns import Returns, returns
from herdbook.pipeline.store.connection import transaction
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.store import Store
from tests.book.rows import day, enter, store_with
from tests.night.tables import T0, insert

DAYS = 700
LAST = T0 + timedelta(days=DAYS)


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return store_with(tmp_path)


def herd(store: Store, batches: dict[str, int], km_a_day: float = 10.0) -> list[str]:
    """Vehicles by batch, in service on the day of T0, each with the same way on record every tenth day."""
    names = []
    with transaction(store.catalogue) as con:
        for batch, many in batches.items():
            for i in range(many):
                names.append(f"{batch}-{i:02d}")
                about = {"profile": "toy", "built": T0.date(), "in_service": T0.date(), "zone": "UTC"}
                insert(con, "vehicles", vehicle=names[-1], batch=batch, first_t=T0, last_t=LAST, **about)
        con.execute(
            "INSERT INTO metrics SELECT vehicle, ? + to_days(10 * n::INT), 'distance_km', '', ?, 'km', NULL, 1, 1 "
            "FROM vehicles, range(0, ?) r(n) WHERE profile = 'toy' AND vehicle NOT IN ('a', 'b')",
            [T0, 10 * km_a_day, DAYS // 10],
        )
    publish(store)
    return names


def repairs(names: list[str], rate: float, seed: int, part: str = "belt") -> list[dict[str, str]]:
    """rate: a vehicle and day; days drawn evenly, one a day at most."""
    draw, rows = np.random.default_rng(seed), []
    for name in names:
        about = {"vehicle": name, "kind": "repair", "part": part, "said": "worn"}
        rows += [about | {"when": day(float(n) + 1)} for n in np.flatnonzero(draw.random(DAYS - 1) < rate)]
    return rows


def asked(store: Store, part: str = "", by: str = "", clock: str = "days", days: int = 90) -> Returns:
    with store.read() as con:
        found = returns(con, part, by=by, clock=clock, days=days, until=LAST)
    assert found is not None
    return found


def test_a_batch_that_comes_back_more_often_shows_in_mean_and_forecast(store: Store) -> None:
    names = herd(store, {"A": 30, "B": 30})
    one = [r for r in names if r.startswith("A")]
    rows = repairs(one, 0.004, 1) + repairs(names[30:], 0.001, 2)
    wrong, _ = enter(store, *rows, now=LAST)
    assert not wrong
    groups = {g.group: g for g in asked(store, by="batch").groups}
    for batch, rate in (("A", 0.004), ("B", 0.001)):
        g = groups[batch]
        assert g.curve.low[-1] < rate * DAYS < g.curve.high[-1]
        assert g.ahead is not None
        assert g.ahead.low <= 30 * 90 * rate <= g.ahead.high
        assert g.ahead.low < g.spares <= g.ahead.high
    assert sum(g.events for g in groups.values()) == len(rows)
    assert groups["A"].fit is not None
    assert groups["A"].curve.low[-1] > groups["B"].curve.high[-1]


def test_kilometres_count_what_is_on_record(store: Store) -> None:
    names = herd(store, {"A": 20})
    enter(store, *repairs(names, 0.003, 3), now=LAST)
    days, km = asked(store).groups[0], asked(store, clock="km").groups[0]
    assert km.watched == pytest.approx(
        10 * days.watched * 20 / 22, rel=0.02
    )  # a and b of the store have no way on record
    assert km.events == days.events
    assert km.ahead is not None
    assert days.ahead is not None
    assert km.ahead.mean == pytest.approx(days.ahead.mean, rel=0.15)
    assert asked(store, clock="km").left_out == 2


def test_by_part_each_part_has_all_vehicles_behind_it(store: Store) -> None:
    names = herd(store, {"A": 10})
    enter(store, *repairs(names, 0.002, 4), *repairs(names, 0.001, 5, part="remote"), now=LAST)
    parts = {g.group: g for g in asked(store, by="part").groups}
    assert set(parts) == {"belt", "remote"}
    assert parts["belt"].vehicles == parts["remote"].vehicles == 12
    assert asked(store, part="remote").groups[0].events == parts["remote"].events


def test_a_firmware_is_blamed_for_what_came_under_it(store: Store) -> None:
    names = herd(store, {"A": 10})
    with transaction(store.catalogue) as con:
        for name in names:
            for version, n in (("1", 0), ("2", 350)):
                t = T0 + timedelta(days=n)
                given = {"component": "controller_firmware", "serial": version, "from_t": t, "to_t": t}
                insert(con, "installs", vehicle=name, **given)
    publish(store)
    about = {"kind": "repair", "part": "remote", "said": "dead"}
    enter(store, *[about | {"vehicle": v, "when": day(400)} for v in names], now=LAST)
    enter(store, about | {"vehicle": names[0], "when": day(5)}, now=LAST)
    groups = {g.group: g for g in asked(store, by="firmware").groups}
    assert (groups["1"].events, groups["2"].events) == (1, 10)
    assert groups["1"].ahead is None  # nobody rides it any more
    assert groups["1"].watched == pytest.approx(10 * 345, rel=0.01)


def test_a_supplier_is_watched_from_the_fitting_of_its_part(store: Store) -> None:
    herd(store, {"A": 1})
    part = {"vehicle": "A-00", "part": "remote"}
    enter(
        store,
        part | {"kind": "fitted", "serial": "1", "supplier": "north", "when": day(10)},
        part | {"kind": "removed", "outcome": "failed", "when": day(100)},
        part | {"kind": "fitted", "serial": "2", "supplier": "south", "when": day(100)},
        now=LAST,
    )
    groups = {g.group: g for g in asked(store, part="remote", by="supplier").groups}
    assert (groups["north"].events, groups["south"].events) == (1, 0)
    assert groups["south"].ahead is not None
    assert groups["south"].ahead.steady


def test_a_scrapped_vehicle_comes_back_no_more(store: Store) -> None:
    names = herd(store, {"A": 2})
    enter(
        store,
        {"vehicle": names[0], "kind": "repair", "said": "belt", "when": day(10)},
        {"vehicle": names[0], "kind": "scrapped", "when": day(20)},
        now=LAST,
    )
    [group] = asked(store).groups
    assert group.ahead is not None
    assert group.watched == pytest.approx(3 * (DAYS - 9) + 11, abs=2)  # with a and b of the store, from the day before


def test_sound_parts_and_the_same_day_are_no_second_repair(store: Store) -> None:
    about = {"part": "remote", "when": day(5)}
    enter(
        store,
        about | {"kind": "fitted", "serial": "1", "when": day(1)},
        about | {"kind": "repair", "said": "new remote"},
        about | {"kind": "removed", "outcome": "failed"},
        about | {"kind": "fitted", "serial": "2"},
        about | {"kind": "removed", "outcome": "sound", "when": day(9)},
    )
    assert asked(store).groups[0].events == 1


def test_what_cannot_be_asked_is_told(store: Store) -> None:
    with store.read() as con:
        assert returns(con, until=LAST) is None
        with pytest.raises(SettingsError, match="by 'colour'"):
            returns(con, by="colour", until=LAST)
        with pytest.raises(SettingsError, match="belongs to a part"):
            returns(con, by="supplier", until=LAST)
        with pytest.raises(SettingsError, match="no clock 'moons'"):
            returns(con, clock="moons", until=LAST)
