"""Messages with broken counters or checksums: noise on the wire, a node that stumbles, or a wrong DBC.

Told apart: a checksum that fails on nearly every frame of one message is a decode mismatch (another firmware,
another DBC); a few per thousand over all messages is the wire; counters that skip in all messages alike are
the logger's loss.
"""

from __future__ import annotations

from collections.abc import Mapping

import polars as pl

from herdbook.pipeline.health.cause import Cause
from herdbook.pipeline.health.cause_tests import also_found, found_at, only_by
from herdbook.pipeline.health.reading import Pieces, metric_rows, only, recent, seconds, windows
from herdbook.pipeline.health.rule import Cases, Finding, Limit, NotAssessed, Record, Rule
from herdbook.pipeline.health.sentences import spell
from herdbook.pipeline.health.severity import Severity
from herdbook.pipeline.health.statistics import at_least, largest
from herdbook.pipeline.vehicle.record import Metric


def judge(record: Record, limits: Mapping[str, float]) -> list[Finding] | NotAssessed:
    sums = recent(metric_rows(record, "message_checksum_share"), limits["days"])
    counters = recent(metric_rows(record, "message_counter_share"), limits["days"])
    if not sums.height and not counters.height:
        return NotAssessed("no message with counter or checksum in these logs")
    by_sum, by_counter = Pieces(sums, "item"), Pieces(counters, "item")
    found = []
    for item in sorted(set(sums["item"].to_list())):
        rows = by_sum.of(item)
        finding = _finding(
            item=item,
            rows=rows,
            what="checksum",
            words="wrong checksums",
            limit=limits["checksum"],
            decode=limits["decode"],
        )
        found += [finding] if finding else []
    broken = {f.item for f in found}
    lost = _logger_loss(counters, limits)
    for item in sorted(set(counters["item"].to_list()) - broken):
        rows = by_counter.of(item)
        finding = (
            None
            if lost
            else _finding(
                item=item, rows=rows, what="counter", words="counter errors", limit=limits["counter"], decode=2.0
            )
        )
        found += [finding] if finding else []
    return found


def _logger_loss(counters: pl.DataFrame, limits: Mapping[str, float]) -> bool:
    """Every message skips alike: the frames were lost on their way to the file, not made wrong."""
    shares = counters.group_by("item").agg(pl.col("value").median())["value"]
    return shares.len() >= 3 and -largest(-shares) > 0.3 * largest(shares) > 0


def _finding(item: str, rows: pl.DataFrame, what: str, words: str, limit: float, decode: float) -> Finding | None:
    frames = int(rows["n"].sum())
    bad = round(float((rows["value"] * rows["n"]).sum()))
    share = bad / max(frames, 1)
    hit = only(rows, rows["value"].to_numpy() > limit)
    if at_least(bad, frames) < limit or not hit.height:
        return None
    mismatch = share > decode
    cause = ": nearly every frame, which points to a DBC that does not belong to this firmware" if mismatch else ""
    return Finding(
        severity=Severity.SERVICE,
        item=f"{item} {what}",
        measured=100 * share,
        limit=100 * limit,
        unit="%",
        statement=f"{item}: {words} in {bad} of {frames} frames ({spell(100 * share, '%')}), in {hit.height} of "
        f"{rows.height} stretches of logged data{cause}.",
        se=100 * (share * (1 - share) / max(frames, 1)) ** 0.5,
        confidence=0.97,
        persistence=hit.height / rows.height,
        count=bad,
        duration_s=seconds(hit),
        windows=windows(hit, "value"),
        signals=("controller_fault", "pack_current"),
        not_separable=""
        if mismatch
        else "Noise on the wire or a sender that stumbles: error frames and a scope on the bus separate them.",
    )


def _cases() -> Cases:
    from herdbook.pipeline.health.examples import days, record

    def case(checksum: float, counter: float = 0.0, logs: int = 4) -> Record:
        parts = [Metric("message_missed_share", 0.0, "1", None, 20_000, item="BMS_Pack")]
        parts += [Metric("message_checksum_share", checksum, "1", None, 20_000, item="BMS_Pack")]
        parts += [
            Metric("message_counter_share", counter if m == "MOT" else 0.0, "1", None, 20_000, item=m)
            for m in ("BMS_Pack", "MOT", "CTRL")
        ]
        return record(*days(logs, "log", *parts))

    def all_skip(share: float) -> Record:
        parts = [Metric("message_missed_share", share, "1", None, 20_000, item="BMS_Pack")]
        parts += [
            Metric("message_counter_share", share, "1", None, 20_000, item=m) for m in ("BMS_Pack", "MOT", "CTRL")
        ]
        return record(*days(4, "log", *parts))

    return Cases(
        fires_on=(case(0.01), case(0.98), case(0.0, 0.03)),
        quiet_on=(case(0.0), case(0.0005), all_skip(0.05)),
        unassessed_on=(record(*days(2, "log", Metric("message_missed_share", 0.0, "1", None, 900, item="BMS_Pack"))),),
    )


RULE = Rule(
    id="message_faults",
    title="Counters or checksums broken",
    subsystem="data",
    severity=Severity.SERVICE,
    needs=("message_missed_share",),
    roles=(),
    limits=(
        Limit("checksum", 0.001, "1", "of the frames; a sound bus has none: engineering choice"),
        Limit("counter", 0.005, "1", "of the frames: engineering choice"),
        Limit("decode", 0.5, "1", "of the frames; from here on the DBC is the likelier cause: engineering choice"),
        Limit("days", 30.0, "days", "engineering choice"),
    ),
    judge=judge,
    meaning="Values of these messages may be wrong, or old. Findings that rest on them are less sure.",
    causes=(
        Cause(
            "Interference or a bad plug on the bus",
            found_at("message_faults", 2, "message", "what harms several is on the bus", "one message alone shows it"),
        ),
        Cause("A control unit that stumbles or restarts", also_found("controller_resets", tells=False)),
        Cause("Firmware changed its DBC", only_by("the DBC that belongs to this firmware")),
    ),
    bench=(
        "Compare firmware version and DBC",
        "Check bus plugs, shield and terminating resistors (60 Ω between the wires, power off)",
        "Look at the bus with an oscilloscope while driving on the stand",
    ),
    cautions=(),
    source="checksums and counters as the DBC declares them; interval: NIST/SEMATECH e-Handbook 7.2.4.1",
    matters=False,  # a bus without counters and checksums has none to judge by
    version=2,
    cases=_cases,
)
