"""Where tasks run: in threads that feed this machine's worker processes, or on a Dask cluster of many."""

from __future__ import annotations

from typing import Any

from prefect.task_runners import TaskRunner, ThreadPoolTaskRunner

from herdbook.pipeline.extras import missing
from herdbook.pipeline.settings import NightSettings


def on_cluster() -> bool:
    """Do the tasks of the flow we are in leave this process already?"""
    from prefect.context import FlowRunContext

    context = FlowRunContext.get()
    return context is not None and not isinstance(context.task_runner, ThreadPoolTaskRunner)


def task_runner(settings: NightSettings) -> TaskRunner[Any]:
    """Threads, as many as there are workers; with [night] dask a cluster by address, or `local` processes.

    Raises: MissingExtraError when Dask is wanted and not installed.
    """
    if not settings.dask:
        return ThreadPoolTaskRunner(max_workers=settings.processes)
    try:
        import dask
        from prefect_dask.task_runners import DaskTaskRunner
    except ImportError:
        raise missing("prefect_dask", "[night] dask") from None
    # Dask's nannies start workers as daemons, and daemons may not have worker processes as children.
    dask.config.set({"distributed.worker.daemon": False, "distributed.comm.timeouts.connect": "30s"})
    if settings.dask == "local":
        workers = {
            "n_workers": settings.processes,
            "threads_per_worker": 1,
            "processes": True,
            "dashboard_address": None,
        }
        return DaskTaskRunner(cluster_kwargs=workers)
    return DaskTaskRunner(address=settings.dask)
