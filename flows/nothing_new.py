"""Whether tonight there is anything to do. To start a server and a flow's process takes many times as long as to see
that nothing has come, and an operator has nothing to watch there."""

from __future__ import annotations

from contextlib import suppress

from herdbook.flows.request import Request
from herdbook.pipeline.addresses import is_url
from herdbook.pipeline.assess.outdated import due_again
from herdbook.pipeline.assess.plan import vehicles_touched
from herdbook.pipeline.errors import HerdbookError
from herdbook.pipeline.intake.inbox import new_logs
from herdbook.pipeline.night.contacts import profiles_due
from herdbook.pipeline.night.refused_profiles import refused_profiles
from herdbook.pipeline.store.store import Store


def nothing_new(request: Request) -> bool:
    """No log is new and no vehicle is to be judged, as far as that is quickly seen: an inbox behind an address is not
    asked, and a night that shall be seen on somebody's server always goes there. What is wrong is left for the night
    itself to say."""
    settings = request.settings
    if request.kind != "night" or settings.server or settings.dask or is_url(request.inbox):
        return False
    with suppress(HerdbookError):
        store = Store.open(request.store)
        found = new_logs(store, request.inbox)
        if found.logs or found.refused or vehicles_touched(store) or profiles_due(store):
            return False
        return not due_again(store, refused_profiles(store)).vehicles
    return False
