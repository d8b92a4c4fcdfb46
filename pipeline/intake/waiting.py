"""What lies in an inbox and is not taken in now, and why: the same for a folder and for an address."""

from __future__ import annotations

from dataclasses import dataclass

from herdbook.pipeline.times import in_words

NOT_LOGS = (".toml", ".md", ".json", ".dbc", ".arxml", ".kcd", ".sym")  # sidecars, texts, descriptions of buses


@dataclass(frozen=True, slots=True)
class Waiting:
    """Something that is not taken in now. until: microseconds UTC, None: until somebody does something (do)."""

    path: str
    why: str
    until: int | None = None
    do: str = ""

    @property
    def in_words(self) -> str:
        """Why, and until when."""
        return f"{self.why}; {f'until {in_words(self.until)}' if self.until is not None else self.do}"
