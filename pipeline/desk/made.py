"""Files that were made for somebody and wait to be fetched, once."""

from __future__ import annotations

import secrets
import threading
from dataclasses import dataclass
from pathlib import Path

from starlette.background import BackgroundTask
from starlette.responses import FileResponse, Response


@dataclass(frozen=True)
class Made:
    """A file that waits to be fetched, once. stays: it is not the desk's own, and is not taken away."""

    path: Path
    name: str
    kind: str
    stays: bool = False

    def gone(self) -> None:
        if not self.stays:
            self.path.unlink(missing_ok=True)

    def sent(self) -> Response:
        gone = BackgroundTask(self.gone)
        return FileResponse(self.path, media_type=self.kind, filename=self.name, background=gone)


class Waiting:
    """Files that were made and not fetched yet; the oldest go when there are too many."""

    def __init__(self, most: int = 16) -> None:
        self._most = most
        self._files: dict[str, Made] = {}
        self._lock = threading.Lock()

    def keep(self, made: Made) -> str:
        name = secrets.token_urlsafe(12)
        with self._lock:
            self._files[name] = made
            old = [self._files.pop(key) for key in list(self._files)[: -self._most]]
        for one in old:
            one.gone()
        return name

    def take(self, name: str) -> Made | None:
        with self._lock:
            return self._files.pop(name, None)
