"""How the scores spread over batches and firmware versions: counts in bands, always with n."""

from __future__ import annotations

from dataclasses import dataclass

from herdbook.pipeline.health.severity import SUBSYSTEMS
from herdbook.pipeline.store.statements import Row

BANDS = ((0, 50, "below 50"), (50, 80, "50 to 79"), (80, 95, "80 to 94"), (95, 101, "95 to 100"))
NAMES = [*(name for _, _, name in BANDS), "not assessed"]
MOST_GROUPS = 12


@dataclass(frozen=True, slots=True)
class Bar:
    """One group. counts: vehicles in each band, in the order of BANDS, then not assessed."""

    name: str
    n: int
    counts: tuple[int, ...]

    @property
    def widths(self) -> list[float]:
        return [round(100 * count / max(self.n, 1), 2) for count in self.counts]

    @property
    def words(self) -> str:
        return ", ".join(f"{count} {name}" for count, name in zip(self.counts, NAMES, strict=True) if count)


@dataclass(frozen=True, slots=True)
class Spread:
    subsystem: str
    by: str
    bars: list[Bar]
    left_out: int


def spreads(herd: list[Row]) -> list[Spread]:
    """By batch and firmware, for each subsystem that is not good everywhere; the largest groups, the others counted.
    Where all vehicles belong to one group there is nothing to compare."""
    out = []
    for by in ("batch", "firmware"):
        groups: dict[str, list[Row]] = {}
        for row in herd:
            groups.setdefault(row[by] or "not known", []).append(row)
        if len(groups) < 2:
            continue  # one bar compares nothing
        largest = sorted(groups, key=lambda name: (-len(groups[name]), name))[:MOST_GROUPS]
        for subsystem in SUBSYSTEMS:
            if all((row[subsystem] or 0.0) >= BANDS[-1][0] for row in herd):
                continue  # nothing to tell apart
            bars = [_bar(name, [row[subsystem] for row in groups[name]]) for name in sorted(largest)]
            out.append(Spread(subsystem, by, bars, len(groups) - len(largest)))
    return out


def _bar(name: str, scores: list[float | None]) -> Bar:
    known = [s for s in scores if s is not None]
    counts = [sum(low <= s < high for s in known) for low, high, _ in BANDS]
    return Bar(name, len(scores), (*counts, len(scores) - len(known)))
