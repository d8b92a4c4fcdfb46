"""What is wrong, or doubtful, in a profile: every mistake of it at once, with its line and the nearest right word."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any

from herdbook.pipeline.errors import ProfileError
from herdbook.pipeline.vehicle.key_lines import Key, KeyLines


@dataclass(frozen=True, slots=True)
class Problem:
    """One mistake, or one doubt. line: of the profile, None where it stands nowhere in it."""

    what: str
    do: str
    line: int | None = None

    def __str__(self) -> str:
        where = "" if self.line is None else f"line {self.line}: "
        return where + " ".join(t if t.endswith((".", "!", "?")) else f"{t}." for t in (self.what, self.do) if t)


class ProfileProblems(ProfileError):
    """All that is wrong in one profile. problems: in the order of its lines."""

    def __init__(self, problems: Sequence[Problem], path: object) -> None:
        self.problems, self.path = tuple(problems), str(path)
        if len(problems) == 1:
            (one,) = problems
            super().__init__(one.what, path if one.line is None else f"{path}, line {one.line}", one.do)
        else:
            said = "\n".join(f"  {p}" for p in problems)
            super().__init__(f"{len(problems)} mistakes:\n{said}", path)

    def __reduce__(self) -> Any:
        return type(self), (self.problems, self.path)


@dataclass
class Findings:
    """Collects what the checks of one profile say. errors refuse it; doubts are told and leave it in use."""

    lines: KeyLines
    errors: list[Problem] = field(default_factory=list)
    doubts: list[Problem] = field(default_factory=list)

    def wrong(self, key: Key, what: str, do: str = "") -> None:
        self.errors.append(Problem(what, do, self.lines.of(key)))

    def doubt(self, key: Key, what: str, do: str = "") -> None:
        self.doubts.append(Problem(what, do, self.lines.of(key)))

    def unknown(self, key: Key, shown: str, known: Iterable[str]) -> None:
        """A word that is not known, with the nearest that is."""
        self.wrong(key, f"{shown} is not known", nearest(str(key[-1]), known))


def in_order(problems: Iterable[Problem]) -> list[Problem]:
    """By line; what stands nowhere comes last."""
    return sorted(problems, key=lambda p: (p.line is None, p.line or 0))


def nearest(word: str, known: Iterable[str]) -> str:
    """What to do about a word that is not known: "Did you mean gear?", else the words there are."""
    words = list(dict.fromkeys(known))
    by_small: dict[str, list[str]] = {}
    for w in words:
        by_small.setdefault(w.lower(), []).append(w)
    small = get_close_matches(word.lower(), by_small, n=3, cutoff=0.6)
    # mOhm and MOhm differ by nine decades: of words that differ in capitals alone, the one with more of the same first
    close = [w for s in small for w in sorted(by_small[s], key=lambda w: _apart(w, word))][:3]
    if close:
        return f"Did you mean {' or '.join(close)}?"
    return f"Known: {', '.join(words)}" if words else "Remove it"


def _apart(one: str, other: str) -> int:
    return sum(a != b for a, b in zip(one, other, strict=False))
