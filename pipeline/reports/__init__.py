"""What people hold in their hands: dossier, history, fleet pages, figures of signals.

Written from the published catalogue and the lake, never from inside the rules. Each is loaded when it is asked for: who
writes a dossier waits for no history.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from herdbook.pipeline.reports.dossier.write import write_dossier
    from herdbook.pipeline.reports.fleet.site import write_fleet
    from herdbook.pipeline.reports.history.verify import verify_history
    from herdbook.pipeline.reports.history.write import write_history
    from herdbook.pipeline.reports.signals.files import write_signals
    from herdbook.pipeline.reports.signals.terminal import plot_lines
    from herdbook.pipeline.reports.signals.window import gather

__all__ = [
    "gather",
    "plot_lines",
    "verify_history",
    "write_dossier",
    "write_fleet",
    "write_history",
    "write_signals",
]

_WHERE = {
    "gather": "signals.window",
    "plot_lines": "signals.terminal",
    "verify_history": "history.verify",
    "write_dossier": "dossier.write",
    "write_fleet": "fleet.site",
    "write_history": "history.write",
    "write_signals": "signals.files",
}


def __getattr__(name: str) -> Any:
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    from importlib import import_module

    return getattr(import_module(f"{__name__}.{_WHERE[name]}"), name)
