"""Simulator of an invented fleet: the parcel couriers of the invented hill town Treppenau.

Physics first (groups, pack, motors, road, rider, charger), sensors and logger after, frames last. To get what
metrics get, without any log file:

    from pathlib import Path
    from herdbook.pipeline.vehicle.profile import load_profile
    from demo_logs.simulator import Fault, Logger, Outing, Vehicle, signals_of

    board = load_profile(Path("dbc_demo/zirbel.toml"))
    t0 = 1_772_352_000_000_000                                   # microseconds UTC
    weak = Fault("weak_group", size=2.0, onset=0, item=7)        # names and units: simulator/faults.py, KINDS
    units = [Vehicle("ZB-0001", board, seed=1), Vehicle("ZB-0002", board, seed=2, faults=(weak,))]
    plan = [Outing("ride", t0, minutes=8, soc_pct=90), Outing("charge", t0 + 3_600_000_000, minutes=60),
            Outing("rest", t0 + 9_000_000_000, minutes=120)]
    for session, signals in signals_of(units, plan, Logger(thin={"motor_speed": 5})):
        ...

Vehicles of one call share a profile and run in step, so 30 cost little more than one (about 0.7 ms a step of
50 ms of a ride, 1 s of a charge, 10 s of a rest).
"""

from demo_logs.simulator.faults import Fault
from demo_logs.simulator.fleet import Outing, outings_of, signals_of
from demo_logs.simulator.logger import Logger
from demo_logs.simulator.spec import Vehicle

__all__ = ["Fault", "Logger", "Outing", "Vehicle", "outings_of", "signals_of"]
