"""What a night tells of the logs it took in: those cut short or damaged, and those whose hour may be another's zone."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from herdbook.pipeline.intake.clock import ZONE_DOUBT
from herdbook.pipeline.intake.outcome import LogReport, Outcome, TakenLog

MOST_NAMES = 3


@dataclass(slots=True)
class LogNews:
    """Watches outcomes on their way to the ledger."""

    cut: list[str] = field(default_factory=list)
    zones: dict[str, list[str]] = field(default_factory=dict)  # what is doubtful, and the logs

    def watch(self, outcomes: Iterable[Outcome]) -> Iterator[Outcome]:
        for one in outcomes:
            if isinstance(one, TakenLog):
                if _lost(one.report):
                    self.cut.append(one.file.name)
                for note in one.clock_notes:
                    if ZONE_DOUBT in note:
                        self.zones.setdefault(note, []).append(one.file.name)
            yield one

    def notes(self) -> list[str]:
        """One sentence each, without a full stop."""
        said = []
        if self.cut:
            what = _logs(self.cut, "was cut short or damaged", "were cut short or damaged")
            said.append(f"{what}; what is sound in {'it' if len(self.cut) == 1 else 'them'} is kept")
        off = "may be off by hours"
        said += [f"{_logs(names, off, off)}: {note}" for note, names in self.zones.items()]
        return said


def _lost(report: LogReport) -> bool:
    return any(fault.kind.startswith("lost") for fault in report.faults)


def _logs(names: list[str], one: str, several: str) -> str:
    shown = ", ".join(sorted(names)[:MOST_NAMES]) + (" and others" if len(names) > MOST_NAMES else "")
    return f"1 log ({shown}) {one}" if len(names) == 1 else f"{len(names):,} logs ({shown}) {several}"
