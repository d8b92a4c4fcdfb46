"""What people hold in their hands: dossier, history, fleet pages, figures of signals. Written from the
published
catalogue and the lake, never from inside the rules."""

from pipeline.reports.dossier import write_dossier

__all__ = ["write_dossier"]
