"""What people hold in their hands: dossier, history, fleet pages, figures of signals.

Written from the published catalogue and the lake, never from inside the rules.
"""

from pipeline.reports.dossier import write_dossier
from pipeline.reports.fleet import write_fleet
from pipeline.reports.history import write_history
from pipeline.reports.history_check import verify_history
from pipeline.reports.signal_files import write_signals
from pipeline.reports.terminal import plot_lines
from pipeline.reports.wires import gather

__all__ = [
    "gather",
    "plot_lines",
    "verify_history",
    "write_dossier",
    "write_fleet",
    "write_history",
    "write_signals",
]
