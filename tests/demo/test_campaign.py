"""The campaign's pieces: who is drawn, what is measured, what stands at which night."""

from __future__ import annotations

import pytest

from demo_logs.campaign import profiles, references, truth_of
from demo_logs.draw import CALENDAR, SIZES, Drawn, Wish, draw
from demo_logs.records import Measured, measure_batch
from demo_logs.simulator import Logger, Outing, Vehicle
from herdbook.pipeline.vehicle.profile import load_profile
from herdbook.pipeline.vehicle.record import EVENTS, METRICS, SESSIONS
from tests.demo.conftest import DBC_DEMO, T0

HOUR = 3_600_000_000


def test_half_of_the_vehicles_are_sound_and_every_fault_comes_in_every_size() -> None:
    drawn = draw(5, 400, profiles())
    faulty = [d for d in drawn if d.vehicle.faults]
    assert len(faulty) == 200
    seen = {(f.name, size) for d in faulty for f, size in zip(d.vehicle.faults, d.named, strict=True)}
    assert seen == {(name, float(size)) for name, sizes in SIZES.items() for size in sizes}
    assert {d.vehicle.profile.name for d in drawn} == {"zirbel", "saumer"}
    assert len({d.stratum for d in drawn}) >= 6


def test_two_faults_of_a_vehicle_are_of_different_kinds() -> None:
    pairs = [d.vehicle.faults for d in draw(5, 200, profiles(), Wish(double=True)) if d.vehicle.faults]
    assert {len(p) for p in pairs} == {2}
    assert all(a.name != b.name for a, b in pairs)


def test_a_vehicle_depends_on_seed_and_number_only() -> None:
    """Of 30 or of 40: the first are the same; of another seed: they are not."""
    few, many, other = draw(5, 30, profiles()), draw(5, 40, profiles()), draw(6, 30, profiles())
    assert few == many[:30]
    assert few != other


def test_outings_follow_each_other() -> None:
    for drawn in draw(7, 40, profiles()):
        ends = [o.start + int(o.minutes * 60e6) for o in drawn.outings]
        assert len(drawn.outings) == len(CALENDAR)
        assert all(o.start > end for o, end in zip(drawn.outings[1:], ends[:-1], strict=True))
        truth = truth_of(drawn)
        assert truth.first <= min((f.onset for f in truth.faults), default=truth.last) <= truth.last


@pytest.fixture(scope="module")
def measured() -> list[Measured]:
    profile = load_profile(DBC_DEMO / "zirbel.toml")
    outings = (
        Outing("ride", T0, 1.0, soc_pct=70.0),
        Outing("charge", T0 + HOUR, 4.0),
        Outing("ride", T0 + 2 * HOUR, 1.0),
    )
    vehicles = [Vehicle(f"ZB-{i:04d}", profile, i, serial=i) for i in (1, 2)]
    return measure_batch([Drawn(v, outings, Logger(), "sound") for v in vehicles])


def test_measured_rows_have_the_catalogue_shape(measured: list[Measured]) -> None:
    for one in measured:
        for frame, schema in ((one.sessions, SESSIONS), (one.metrics, METRICS), (one.events, EVENTS)):
            assert dict(frame.schema) == schema
        assert set(one.sessions["kind"]) >= {"ride", "charge"}
        assert one.metrics.height > 50


def test_a_record_holds_what_was_known_that_night(measured: list[Measured]) -> None:
    profile = load_profile(DBC_DEMO / "zirbel.toml")
    one = measured[0]
    early = one.record(profile, None, until=T0 + HOUR // 2)
    assert early.sessions.height < one.sessions.height
    assert 0 < early.metrics.height < one.metrics.height
    assert one.record(profile, None).metrics.height == one.metrics.height


def test_two_vehicles_make_no_reference(measured: list[Measured]) -> None:
    """A majority of two is none: the fit leaves every figure out."""
    drawn = [Drawn(Vehicle(m.vehicle, profiles()[0], 0), (), Logger(), "sound") for m in measured]
    assert references(measured, drawn)["zirbel"].height == 0


def test_only_the_wished_faults_are_drawn() -> None:
    wish = Wish(("parked_empty", "temp_frozen"), acting=True, short=True)
    drawn = draw(5, 12, profiles(), wish)
    assert {f.name for d in drawn for f in d.vehicle.faults} == set(wish.faults)
    assert {d.named[0] for d in drawn if d.vehicle.faults[0].name == "parked_empty"} == {25.0, 40.0}
    assert all(len(d.vehicle.faults) == 1 for d in drawn)
    usual = draw(5, 12, profiles())
    assert len(drawn[0].outings) < len(usual[0].outings)


def test_a_parked_vehicle_is_not_seen_for_so_long() -> None:
    for drawn in draw(5, 6, profiles(), Wish(("parked_empty",))):
        (fault,) = drawn.vehicle.faults
        at = next(i for i, o in enumerate(drawn.outings) if o.style == "parked")
        assert drawn.outings[at].start == fault.onset
        days = (drawn.outings[at + 1].start - fault.onset) / 86_400e6
        assert fault.size - 1 <= days <= fault.size + 7
