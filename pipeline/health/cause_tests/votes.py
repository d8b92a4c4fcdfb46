"""Windows vote. A cause is supported when at least half of the windows in which it could be seen show it. When none
does it is contradicted if its absence rules the cause out, else not seen. A window with too few samples inside says
nothing when it shows nothing: a slow message may have missed it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Floats, Times
from herdbook.pipeline.health.cause import Episode, Evidence, Seen, Standing

ENOUGH = 0.5  # of the windows: engineering choice
FEW = 3  # samples of a window that may have missed what came and went between them: engineering choice


@dataclass(frozen=True, slots=True)
class Hit:
    """A sample that speaks for a cause, in words."""

    t: int
    words: str
    role: str
    item: str = ""


Look = Callable[[Episode, Evidence], "Hit | bool | None"]  # a hit, False: none, None: nothing to be seen


def inside(
    episode: Episode, role: str, item: int | str = "", late: bool = False, after_s: float = 0.0
) -> tuple[Times, Floats]:
    """Samples of a role inside the window itself, or in its second half; after_s: and so long after it."""
    s = episode.signals.series(role, item)
    start = (episode.start + episode.end) // 2 if late else episode.start
    a, b = np.searchsorted(s.t, [start, episode.end + 1 + int(after_s * 1e6)])
    return s.t[a:b], s.v[a:b]


def vote(
    evidence: Evidence, look: Look, roles: Sequence[str], quiet: str, rules_out: bool, windows: str = "any of"
) -> Seen:
    """quiet: what is said where no window shows it, of `windows`: "any of" them or "all". A window that was not looked
    at to its end rules nothing out."""
    answers = [look(episode, evidence) for episode in evidence.episodes]
    rules_out = rules_out and not any(episode.cut for episode in evidence.episodes)
    recorded = any(e.signals.has(role) for e in evidence.episodes for role in roles)
    return counted_votes(answers, roles, quiet, rules_out, windows, recorded)


def counted_votes(
    answers: Sequence[Hit | bool | None],
    roles: Sequence[str],
    quiet: str,
    rules_out: bool,
    windows: str = "any of",
    recorded: bool = False,
) -> Seen:
    """recorded: there are samples, only too few where they are needed."""
    known = [a for a in answers if a is not None]
    hits = [a for a in known if isinstance(a, Hit)]
    if not known:
        missing = " and ".join(role.replace("_", " ") for role in roles)
        words = f"{missing}: too few samples fall into the windows" if recorded else f"{missing}: not recorded"
        return Seen(Standing.NOT_RECORDED, words, role=roles[0])
    of = f" in {len(hits)} of {len(known)}" if len(known) > 1 else ""
    if hits:
        first = hits[0]
        standing = Standing.SUPPORTED if len(hits) >= ENOUGH * len(known) else Standing.OPEN
        return Seen(standing, f"{first.words}{of}", first.t, first.role, first.item)
    words = f"{quiet}{f' in {windows} {len(known)}' if len(known) > 1 else ''}"
    return Seen(Standing.CONTRADICTED if rules_out else Standing.NOT_SEEN, words, role=roles[0])
