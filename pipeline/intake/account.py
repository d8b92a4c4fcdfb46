"""The account of an inbox: everything in it ended somewhere, and the sum is right."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass, field
from typing import Any

from herdbook.pipeline.intake.inbox import Found
from herdbook.pipeline.intake.ledger import Committed
from herdbook.pipeline.intake.outcome import ChangedLog, Entry, GoneLog, Outcome
from herdbook.pipeline.intake.waiting import Waiting


@dataclass(slots=True)
class InboxAccount:
    """Where everything in an inbox ended. items: all that was found there, but for others (no logs by their names).

    taken, known, quarantined: by this scan. before: dealt with by an earlier scan and unchanged; held: of these, in
    quarantine. gone: vanished while they were looked at. removed: taken out of quarantine, where they are not any more.
    """

    items: int = 0
    taken: int = 0
    known: int = 0
    quarantined: int = 0
    before: int = 0
    held: int = 0
    gone: int = 0
    others: int = 0
    removed: int = 0
    waiting: list[Waiting] = field(default_factory=list)

    @classmethod
    def of(cls, found: Found) -> InboxAccount:
        before = dict(found.unchanged)
        known = sum(before.values())
        return cls(
            items=len(found.logs) + len(found.refused) + len(found.waiting) + known,
            before=known,
            held=before.get(Entry.QUARANTINED, 0),
            others=found.others,
            removed=len(found.removed),
            waiting=list(found.waiting),
        )

    def watch(self, outcomes: Iterable[Outcome]) -> Iterator[Outcome]:
        """Outcomes on their way to the ledger; those that it does not enter are counted here."""
        for one in outcomes:
            if isinstance(one, GoneLog):
                self.gone += 1
            elif isinstance(one, ChangedLog):
                why, do = "it changed while it was read", "the next scan takes it in once it rests"
                self.waiting.append(Waiting(one.file.path, why, do=do))
            yield one

    def add(self, done: Committed) -> None:
        self.taken += done.taken
        self.known += done.known
        self.quarantined += done.quarantined

    @property
    def unaccounted(self) -> int:
        """Items that ended nowhere; anything but 0 is a fault of Herdbook."""
        ended = self.taken + self.known + self.quarantined + self.before + self.gone + len(self.waiting)
        return self.items - ended

    def in_words(self) -> str:
        """One line for the end of a scan."""
        told = [f"{self.taken:,} taken in", f"{self.known + self.before - self.held:,} known already"]
        told.append(f"{len(self.waiting):,} waiting")
        told.append(f"{self.quarantined + self.held:,} in quarantine ({self.quarantined:,} of them now)")
        told += [f"{self.gone:,} vanished"] if self.gone else []
        several = f"{self.others:,} files are no logs by their names"
        names = "1 file is no log by its name" if self.others == 1 else several
        rest = f"; {names}" if self.others else ""
        rest += f"; {self.removed:,} left the quarantine, for the file is gone or mended" if self.removed else ""
        wrong = f" {self.unaccounted:,} ended nowhere: please report this fault." if self.unaccounted else ""
        return f"{self.items:,} log{'s' * (self.items != 1)} found: {', '.join(told)}{rest}.{wrong}"

    def as_dict(self) -> dict[str, Any]:
        """Ready for JSON; until in microseconds UTC or null."""
        return asdict(self) | {"unaccounted": self.unaccounted}
