"""The lines about several packs side by side: what concerns a pack once for each, the rest of these sections once."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from herdbook.pipeline.health.packs import pack_metrics
from herdbook.pipeline.reports.history.context import HistoryContext
from herdbook.pipeline.reports.history.lines import capacity, extremes, limits, use
from herdbook.pipeline.reports.history.statement import Source, Statement
from herdbook.pipeline.reports.packs import facts_of_pack, packs_of
from herdbook.pipeline.vehicle.packs import as_pack, marked


def lines(given: HistoryContext) -> Iterator[Statement]:
    """Use, extremes, stated limits and capacity; of a vehicle with one pack as each of these has it."""
    packs, of_pack = packs_of(given.profile), pack_metrics()
    if not packs or given.profile is None:
        yield from use.lines(given.facts, given.reader)
        yield from extremes.lines(given.facts, given.reader)
        yield from limits.lines(given)
        yield from capacity.lines(given)
        return
    yield from use.lines(given.facts, given.reader, [s for s in use.SUMS if not of_pack & {*s.metrics}])
    yield from extremes.lines(given.facts, given.reader, [e for e in extremes.EXTREMES if e.metric not in of_pack])
    yield from limits.lines(given, [b for b in limits.BOUNDS if b.metric not in of_pack])
    for n in packs:
        own = replace(given, facts=facts_of_pack(given.facts, n), profile=as_pack(given.profile, n))
        said = [
            *use.summed_up(own.facts, own.reader, [s for s in use.SUMS if of_pack & {*s.metrics}]),
            *extremes.furthest(own.facts, own.reader, [e for e in extremes.EXTREMES if e.metric in of_pack]),
            *limits.lines(own, [b for b in limits.BOUNDS if b.metric in of_pack]),
            *capacity.lines(own),
        ]
        yield from (_of_pack(line, n) for line in said)


def _of_pack(line: Statement, pack: int) -> Statement:
    """The line with its pack named, and led to that pack's rows."""
    source = line.source
    if source is not None and source.table == "metrics":
        names = tuple(marked(pack, str(name)) for name in source.where.get("name", ()))
        source = Source("metrics", {**source.where, "name": names})
    return replace(line, text=f"Pack {pack}: {line.text[:1].lower()}{line.text[1:]}", source=source)
