"""The process behind herdbook.flows.server.serve: Prefect's runner for the one deployment that a store has.

Run as `python -m herdbook.flows.server.serve_process STORE` with a pipe on standard input; it goes when the pipe's
other end does. Two nights never overlap: a night that is due while one still runs is cancelled by the server, and
the store's own lock stands behind that.
"""

from __future__ import annotations

import sys
import threading

from herdbook.flows.server.night_process import go
from herdbook.flows.server.process import at_end_of_input


def main(folder: str) -> int:
    threading.Thread(target=at_end_of_input, args=(go,), daemon=True).start()
    from prefect import serve
    from prefect.client.schemas.objects import ConcurrencyLimitConfig, ConcurrencyLimitStrategy
    from prefect.deployments.runner import RunnerDeployment
    from prefect.schedules import Cron
    from prefect.types.entrypoint import EntrypointType

    from herdbook.flows.night.flow import night
    from herdbook.flows.night_settings import read_night_settings
    from herdbook.flows.server.serve import NAME

    settings = read_night_settings(folder)
    deployment = night.to_deployment(
        NAME,
        schedule=Cron(settings.cron, timezone=settings.zone),
        parameters={"store": folder},
        tags=["herdbook", "night"],
        description="Takes in what is new in the inbox, assesses the vehicles it touches, publishes, and tells.",
        concurrency_limit=ConcurrencyLimitConfig(limit=1, collision_strategy=ConcurrencyLimitStrategy.CANCEL_NEW),
        entrypoint_type=EntrypointType.MODULE_PATH,
    )
    assert isinstance(deployment, RunnerDeployment)
    serve(deployment, limit=1, print_starting_message=False)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
