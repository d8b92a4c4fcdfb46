"""A store of the toy vehicle, an inbox, and a look at everything that was published."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.night.steps import ScanResult
from herdbook.pipeline.store.store import Store

DATA = Path(__file__).parent / "data"
NOW = 1_795_600_000_000_000  # 2026-11-25: when the logs were received, the same in every run


class Bench:
    """An inbox and a store in a folder of their own. scan() works in this process."""

    def __init__(self, folder: Path, profiles: Path = DATA) -> None:
        self.folder, self.inbox = folder, folder / "inbox"
        self.inbox.mkdir(parents=True, exist_ok=True)
        self.store = Store.create(folder / "store", profiles)

    def scan(self) -> ScanResult:
        result = run_scan(self.inbox, self.store, jobs=0, now=NOW)
        assert not result.failed, result.failed
        return result

    def ask(self, sql: str, *values: Any) -> list[tuple[Any, ...]]:
        """Rows from the published catalogue."""
        with self.store.read() as con:
            return con.execute(sql, list(values)).fetchall()

    def reasons(self) -> dict[str, str]:
        """Detail by file name of what is in quarantine."""
        return dict(self.ask("SELECT name, reason || ': ' || detail FROM quarantine"))

    def clock_notes(self) -> str:
        """What is noted of the clock of one log."""
        return " | ".join(self.ask("SELECT array_to_string(clock_notes, '; ') FROM logs")[0])


RESULTS = {  # what must not depend on order, splitting or interruptions; `logs` columns may differ when logs are cut
    "sessions": "SELECT vehicle, start_t, end_t, kind, coverage FROM sessions ORDER BY ALL",
    "metrics": "SELECT vehicle, start_t, name, item, value, unit, se, n, coverage FROM metrics ORDER BY ALL",
    "events": "SELECT vehicle, session_start_t, kind, item, start_t, end_t, data FROM events ORDER BY ALL",
    "findings": "SELECT * FROM findings ORDER BY ALL",
    "not_assessed": "SELECT * FROM not_assessed ORDER BY ALL",
    "scores": "SELECT * FROM scores ORDER BY ALL",
    "installs": "SELECT * FROM installs ORDER BY ALL",
    "vehicles": "SELECT * FROM vehicles ORDER BY ALL",
}
LEDGER = {  # also equal after interruptions, with the same files
    "logs": "SELECT * EXCLUDE (path) FROM logs ORDER BY ALL",
    "log_messages": "SELECT * FROM log_messages ORDER BY ALL",
    "log_faults": "SELECT * FROM log_faults ORDER BY ALL",
    "log_buses": "SELECT * FROM log_buses ORDER BY ALL",
    "log_spans": "SELECT * FROM log_spans ORDER BY ALL",
    "quarantine": "SELECT * EXCLUDE (path, tries) FROM quarantine ORDER BY ALL",
    "touched": "SELECT * FROM touched",
}


def answers(store: Store, queries: dict[str, str]) -> dict[str, str]:
    """Every answer as text: equal texts are equal bytes."""
    with store.read() as con:
        return {name: repr(con.execute(sql).fetchall()) for name, sql in queries.items()}
