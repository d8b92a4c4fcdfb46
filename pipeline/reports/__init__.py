"""What people hold in their hands: dossier, history, fleet pages, figures of signals.

Written from the published catalogue and the lake, never from inside the rules.
"""

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
