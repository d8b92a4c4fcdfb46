"""What a card of causes says: per fault whether the cause at the top was the true one, whether the record was ever said
to speak against the true one, and what that shows of all faults."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from demo_logs.aggregate import wilson
from demo_logs.true_causes import is_true
from herdbook.pipeline.health.cause import Seen, Standing
from herdbook.pipeline.times import from_micros

DENIED_BAR = 0.99  # share of the true causes that the record is never said to speak against


@dataclass(frozen=True, slots=True)
class JudgedFault:
    """A found fault with its rule's causes as the page orders them. case: seed and form it was drawn by."""

    vehicle: str
    fault: str
    rule: str
    item: str
    causes: tuple[tuple[str, Seen], ...]
    case: str = ""

    @property
    def right_first(self) -> bool:
        return bool(self.causes) and is_true(self.fault, self.rule, self.causes[0][0])

    @property
    def sifted(self) -> bool:
        """Nothing supports the cause at the top; some other cause was put below by what was looked for."""
        standings = [seen.standing for _, seen in self.causes]
        below = {Standing.NOT_SEEN, Standing.CONTRADICTED}
        return bool(standings) and standings[0] is not Standing.SUPPORTED and bool(below & set(standings))

    @property
    def true_denied(self) -> bool:
        """The record is said to speak against every true cause."""
        mine = [seen for cause, seen in self.causes if is_true(self.fault, self.rule, cause)]
        return bool(mine) and all(seen.standing == Standing.CONTRADICTED for seen in mine)


def as_text(found: Sequence[JudgedFault], what: str) -> str:
    right, denied = sum(f.right_first for f in found), sum(f.true_denied for f in found)
    n = len(found)
    low, high = wilson(right, n)
    told = sum(f.causes[0][1].standing is Standing.SUPPORTED for f in found)
    sifted = sum(f.sifted for f in found)
    least = wilson(n - denied, n)[0]
    out = [
        f"# Causes against the truth: {what}",
        "",
        f"Found faults: {n}. The cause at the top is a true one in {right} ({right / max(n, 1):.0%}, 95 % interval "
        f"{low:.0%} to {high:.0%}). The record is said to speak against the true one in {denied}.",
        f"Never said to speak against the true one: {n - denied} of {n}, which shows {least:.1%} or more (95 %, "
        f"Wilson); the bar of {DENIED_BAR:.0%} is {'shown' if least >= DENIED_BAR else 'not shown'}.",
        f"By evidence that supports it: {told} of {n}; by evidence against others alone: {sifted}; by the rule's order "
        f"alone: {n - told - sifted}.",
        "",
        "| fault | found | true cause first | true one denied | at the top otherwise |",
        "|---|---|---|---|---|",
    ]
    for fault in sorted({f.fault for f in found}):
        mine = [f for f in found if f.fault == fault]
        wrong = Counter(f"{f.causes[0][0]} ({f.causes[0][1].standing})" for f in mine if not f.right_first)
        said = "; ".join(f"{cause} x {k}" for cause, k in wrong.most_common())
        counts = f"{len(mine)} | {sum(f.right_first for f in mine)} | {sum(f.true_denied for f in mine)}"
        out.append(f"| {fault} | {counts} | {said} |")
    return "\n".join(out) + "\n"


def failures(found: Sequence[JudgedFault]) -> str:
    """Every fault whose true cause did not stand first or was denied, with all that its page says of the causes."""
    out = []
    for f in found:
        if f.right_first and not f.true_denied:
            continue
        out.append(f"{f.case} {f.vehicle} {f.fault}, {f.rule} {f.item}:")
        for cause, seen in f.causes:
            mark = "true" if is_true(f.fault, f.rule, cause) else "    "
            out.append(f"  {mark}  {cause}: {seen.standing} {seen.words}".rstrip())
    return "\n".join(out) + "\n" if out else ""


def examples(found: Sequence[JudgedFault], count: int) -> str:
    """One of each kind: the cause at the top, what the record says of it, and whether it is true."""
    head = ("seed, vehicle", "fault", "finding", "cause at the top", "what the record says", "the sample", "true")
    out = [f"| {' | '.join(head)} |", "|---" * len(head) + "|"]
    for fault in sorted({f.fault for f in found})[:count]:
        f = next(x for x in found if x.fault == fault)
        cause, seen = f.causes[0]
        said = f"{seen.standing}: {seen.words}" if seen.words else str(seen.standing)
        at = "none: a measurement tells" if seen.t is None else f"{from_micros(seen.t):%Y-%m-%d %H:%M:%S} UTC"
        sample = "the finding itself" if seen.rule else at
        named = f"{f.case} {f.vehicle}".strip()
        row = (named, fault, f"{f.rule} {f.item}", cause, said, sample, "yes" if f.right_first else "no")
        out.append(f"| {' | '.join(row)} |")
    return "\n".join(out) + "\n"
