"""Logs from Python without a store: decode one by its DBC files, judge some by a vehicle's profile."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

Source = str | Path


def decode(log: Source, dbc: Source | Iterable[Source | tuple[str, Source]]) -> dict[str, pl.DataFrame]:
    """One table a message that the log holds: `t` (UTC), then a column a signal in DBC units.

    dbc: a DBC file, several, or pairs (channel as logs write it, file). Raises: DecoderError, naming file and place.
    """
    from herdbook.decoders import Network, decode_log

    return decode_log(log, Network.load(dbc))


@dataclass(frozen=True)
class Judgement:
    """What the rules say of one vehicle by some logs, as tables like those of Fleet. refused: logs that could not be
    used, each (log, why, what to do). doubts: what the logs say against the profile, a sentence each."""

    vehicle: str
    findings: pl.DataFrame
    scores: pl.DataFrame
    not_assessed: pl.DataFrame
    sessions: pl.DataFrame
    metrics: pl.DataFrame
    refused: tuple[tuple[str, str, str], ...] = ()
    doubts: tuple[str, ...] = ()

    def __repr__(self) -> str:
        said = [f"  {f['severity']}: {f['title']} {f['item']}".rstrip() for f in self.findings.to_dicts()]
        head = f"<Judgement of {self.vehicle}: {self._counted()}>"
        return "\n".join([head, *said, *(f"  the profile is doubted: {doubt}" for doubt in self.doubts)])

    def _counted(self) -> str:
        found = "1 finding" if self.findings.height == 1 else f"{self.findings.height} findings"
        rules = "1 rule" if self.not_assessed.height == 1 else f"{self.not_assessed.height} rules"
        return f"{found}, {rules} not assessed"

    def _repr_html_(self) -> str:
        """For a notebook: findings, scores, and what could not be judged or used."""
        from herdbook.shown import as_table, said

        words = said(f"{self.vehicle}: {self._counted()}.")
        words += "".join(said(f"The profile is doubted: {doubt}") for doubt in self.doubts)
        words += "".join(said(f"Not used: {log}: {why}. {do}") for log, why, do in self.refused)
        columns = ["severity", "title", "item", "statement"]
        found = as_table("Findings", self.findings.select(columns)) if self.findings.height else ""
        return words + found + as_table("Scores, 0 to 100", self.scores.select("subsystem", "score", "reason"))


def judge(
    logs: Source | Sequence[Source],
    profile: Source,
    vehicle: str = "",
    page: Source | None = None,
    own: Source | None = None,
) -> Judgement:
    """Logs (or folders of logs) of one vehicle judged as a scan would judge them; nothing is kept.

    vehicle: whose they are, where nothing in or beside them says. page: file or folder for the dossier; None: none.
    own: folder of rules and metrics of your own, which is code that runs.
    Raises: InputError when there is no such log, none can be used, or they are of several vehicles; ProfileError.
    """
    from herdbook.fleet import Fleet
    from herdbook.pipeline.errors import InputError
    from herdbook.pipeline.night.look import look
    from herdbook.pipeline.reports import write_dossier

    given = [logs] if isinstance(logs, str | Path) else list(logs)
    with look(given, profile, vehicle, own=own) as found:
        if not found.vehicles:
            name, why, do = found.refused[0]
            raise InputError(why, name, do)
        if len(found.vehicles) > 1:
            raise InputError(
                f"the logs are of several vehicles: {', '.join(found.vehicles)}", "", "Judge each on its own"
            )
        fleet, name = Fleet(found.store), found.vehicles[0]
        if page is not None:
            write_dossier(found.store, name, page, with_book=False)
        return Judgement(
            name,
            findings=fleet.findings(name),
            scores=fleet.scores(name),
            not_assessed=fleet.not_assessed(name),
            sessions=fleet.sessions(name),
            metrics=fleet.metrics(vehicle=name),
            refused=found.refused,
            doubts=tuple(f"{d.verdict}: {d.words}" for d in found.doubts),
        )
