"""The way of the data, one log long: from the bytes of a file to the words on a page, a room a step.

Read it from top to bottom, or put a breakpoint into any step: each test calls the public function of the room it is
named after on what the step before it gave. The log is of one toy vehicle: a minute at rest, a ride of four minutes,
a rest and a charge, ten frames a second of each message (tests/toy/logs.py writes it, tests/toy/data describes it).
Its left motor's thermometer falls by 9.8 K every five seconds. Nobody tells Herdbook; the last steps say it.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

import tests.toy.logs as toy
from herdbook.decoders import Frames, Network, decode_log, read_frames
from herdbook.pipeline.assess.assess import assess
from herdbook.pipeline.assess.commit import commit_assessed
from herdbook.pipeline.assess.plan import plan, vehicles_touched
from herdbook.pipeline.assess.sessions import sessions, stretches
from herdbook.pipeline.health.engine import apply
from herdbook.pipeline.health.rule import Finding, Record
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.health.scoring import score, share
from herdbook.pipeline.intake.inbox import find_logs
from herdbook.pipeline.intake.ledger import commit
from herdbook.pipeline.intake.take_log import take_log
from herdbook.pipeline.lake.part import Part
from herdbook.pipeline.lake.read import read_signals
from herdbook.pipeline.metrics import measure
from herdbook.pipeline.reports import write_dossier
from herdbook.pipeline.store.publish import publish
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.record import Session
from herdbook.pipeline.vehicle.signals import Signals
from tests.toy.bench import DATA, NOW

VEHICLE = "TOY-007"
MINUTE = 60_000_000  # microseconds, as all times inside
RIDE = (toy.T0 + MINUTE, toy.T0 + 5 * MINUTE)
FALLS = 4 * 60 * 10 // 50 - 1  # of the thermometer in the ride: ten samples a second, a fall after every fiftieth


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return toy.write(tmp_path_factory.mktemp("one_log") / "inbox" / "yard.log", toy.day())


@pytest.fixture(scope="module")
def store(log: Path) -> Iterator[Store]:
    """The folder that keeps everything, with the toy's profile: which signal of its DBC file plays which role."""
    store = Store.create(log.parents[1] / "store", DATA)
    with store.lock("one log"):
        yield store


def test_bytes_are_as_a_recorder_left_them(log: Path) -> None:
    assert log.read_bytes().splitlines()[0] == b"(1772352000.000000) can0 100#280500006401FA00"


def test_frames_are_the_same_columns_whatever_the_format(log: Path) -> None:
    """decoders/formats tells formats apart by content; decoders/frames.py says what every one of them gives."""
    frames: Frames = read_frames(log)
    assert len(frames) == 12 * 60 * (3 * 10 + 1)  # of three messages ten a second, of one one
    assert frames.t[0] == toy.T0
    assert frames.can_id[0] == 0x100
    assert frames.payload[0].tobytes().hex() == "280500006401fa00"


def test_columns_are_signals_in_the_units_of_the_dbc_file(log: Path) -> None:
    """decoders/dbc reads the network; decoders/decoding takes all frames of a message at once."""
    tables = decode_log(log, Network.load(DATA / "toy.dbc"))
    assert sorted(tables) == ["Cells", "Drive", "Ident", "Pack"]
    assert tables["Pack"]["Volt"][0] == 0x0528 * 0.01
    assert tables["Pack"]["Soc"][0] == 0x64 * 0.5
    assert tables["Cells"]["Cell03"].null_count() * 2 == len(tables["Cells"])  # multiplexed: sent every other time


@pytest.fixture(scope="module")
def taken(store: Store, log: Path) -> Store:
    """The store after the inbox was looked into and its log taken: a part in the lake, a row in the ledger."""
    assert find_logs(log.parent) == [log]
    commit(store, [take_log(log, store, now=NOW)], now=NOW)
    return store


def test_a_part_is_the_log_as_one_columnar_file(taken: Store) -> None:
    """pipeline/intake says whose log it is (here by a serial on the bus) and when; pipeline/lake keeps its columns."""
    (work,) = plan(taken, vehicles_touched(taken))
    (known,) = work.logs
    assert work.vehicle == VEHICLE
    part: Part = taken.lake.open(known.ref.part)
    assert sum(block.rows for block in part.blocks) == 12 * 60 * (3 * 10 + 1)
    assert "Pack.Current" in part.columns


@pytest.fixture(scope="module")
def signals(taken: Store) -> Signals:
    """pipeline/vehicle: roles instead of names of a DBC file, in one set of units, with one sign."""
    (work,) = plan(taken, [VEHICLE])
    refs = [known.ref for known in work.logs]
    return read_signals(taken.lake, refs, taken.profiles(), VEHICLE, toy.T0, toy.T0 + 12 * MINUTE)


def test_roles_have_one_sign_and_one_unit(signals: Signals) -> None:
    """In the log current is negative on discharge and speed in km/h; the profile turns and converts both."""
    current, speed = signals.series("pack_current"), signals.series("vehicle_speed")
    at = int(current.t.searchsorted(RIDE[0]))
    assert current.v[at] == pytest.approx(20.0)
    assert speed.v[int(speed.t.searchsorted(RIDE[0]))] == pytest.approx(18 / 3.6)


@pytest.fixture(scope="module")
def ride(taken: Store, signals: Signals) -> Session:
    """pipeline/assess cuts time into what the vehicle did."""
    logged = [span for known in plan(taken, [VEHICLE])[0].logs for span in known.spans]
    (stretch,) = stretches(logged, int(taken.settings.join_s * 1e6))
    gap = int(taken.settings.span_gap_s * 1e6)
    found = sessions(VEHICLE, stretch, signals, logged, bench=False, stop_s=taken.settings.stop_s, span_gap_us=gap)
    assert [one.session.kind for one in found] == ["rest", "ride", "rest", "charge"]
    return found[1].session


def test_a_session_begins_and_ends_where_the_vehicle_did(ride: Session) -> None:
    assert (ride.start, ride.end) == RIDE


def test_metrics_are_numbers_about_a_session(taken: Store, signals: Signals, ride: Session) -> None:
    """pipeline/metrics, a file a set, over the mathematics of pipeline/science. 18 km/h and up to 1 more, for 4 min."""
    (profile,) = taken.profiles()
    found = {(m.name, m.item): m for m in measure(ride, signals.between(ride.start, ride.end), profile).metrics}
    distance = found["distance_km", ""]
    assert distance.unit == "km"
    assert distance.value == pytest.approx((18 + 0.02 * 49 / 2) * 4 / 60, rel=2e-3)
    assert found["temp_jumps", "motor left"].value == FALLS


@pytest.fixture(scope="module")
def record(taken: Store) -> Record:
    """What the catalogue knows of the vehicle once it was assessed: all that a rule may look at."""
    (work,) = plan(taken, [VEHICLE])
    commit_assessed(taken, [assess(taken, work)])
    (work,) = plan(taken, [VEHICLE])
    (profile,) = taken.profiles()
    return Record(VEHICLE, profile, work.sessions, work.metrics, work.events, work.reference)


def judged(record: Record) -> Finding:
    found = apply(all_rules()["temp_sensor_fault"], record)
    assert isinstance(found, list)
    return found[0]


def test_a_finding_is_what_a_rule_says_of_the_record(record: Record) -> None:
    """pipeline/health/rules, a file a rule: it reads the metrics of all sessions, never a signal."""
    assert record.metrics.filter(name="temp_jumps", item="motor left", kind="ride")["value"].to_list() == [FALLS]
    finding = judged(record)
    assert finding.item == "motor left"
    assert "jumped by more than 8 K" in finding.statement


def test_a_score_is_100_less_what_findings_take(record: Record) -> None:
    """pipeline/health/scoring.py; and no score where too few rules had what they need to find nothing."""
    taken_away = share(judged(record))
    assert 0 < taken_away < 1
    assert score([taken_away], judged=8, total=10).score == pytest.approx(100 * (1 - taken_away))
    assert score([], judged=2, total=10).score is None


def test_the_page_says_it_to_a_person(taken: Store, record: Record, tmp_path: Path) -> None:
    """pipeline/store publishes the catalogue for readers; pipeline/reports writes from that alone."""
    publish(taken)
    page = write_dossier(taken, VEHICLE, tmp_path / "dossier.html").read_text("utf-8")
    assert judged(record).statement in page
