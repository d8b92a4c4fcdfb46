"""The vehicle as the road feels it, from the figures of its profile."""

from __future__ import annotations

import math

from herdbook.pipeline.science.road import RoadVehicle
from herdbook.pipeline.vehicle.profile import Profile


def road_vehicle(profile: Profile) -> RoadVehicle:
    """NaN for what the profile lacks."""
    of, drive = profile.vehicle_figures, profile.drive_figures
    torque, gear, wheel = (math.nan if x is None else x for x in (drive.torque_nm_per_a, drive.gear, drive.wheel_m))
    mass, rolling, drag = (math.nan if x is None else x for x in (of.mass_kg, of.rolling, of.drag_area_m2))
    return RoadVehicle(mass, rolling, drag, newton_per_a=torque * gear / (wheel / 2.0))
