"""One check held against logs at hand, as hold_profile() does it with all checks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import cast

from herdbook.pipeline.vehicle.contact.check import Check, Checked, SeenLog, hold, looks_of
from herdbook.pipeline.vehicle.contact.view import View
from herdbook.pipeline.vehicle.profile import Profile


def hold_views(check: Check, views: Sequence[View]) -> list[Checked]:
    logs = [SeenLog(v.vehicle, v.known_share, frozenset(), {(1, check.id): looks_of(check, v)}) for v in views]
    return hold(check, views[0].profile if views else cast(Profile, None), logs)  # without logs it asks no profile
