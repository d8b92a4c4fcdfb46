"""herdbook herd batches: is it the batch? Failures of parts and findings of rules, one way for both."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.commands.terminal.options import DEFAULT_STORE, Json, StoreFolder

if TYPE_CHECKING:
    from herdbook.pipeline.herd.batches import BatchRate
    from herdbook.pipeline.science.strata import Ratio

FAILED = ("part", "batch", "failed", "of other batches")
FOUND = ("rule", "type", "batch", "vehicles found", "of other batches")
RATIOS = ("over all (95 %)", "same site and zone (95 %)", "so it")


def batches(store: StoreFolder = DEFAULT_STORE, json: Json = False) -> None:
    """Say whether a batch has more findings, or its parts more failures, than others of the same site and zone.

    JSON: failures (part, batch, failed, parts, days, other_failed, other_parts, other_days), rates (rule, profile,
    batch, found, vehicles, km, other_found, other_vehicles, other_km); of both: crude and ratio (ratio, low, high, p;
    ratio: within strata, or null), strata, adjusted (p among all comparisons), words; left_out (what was not compared,
    in sentences).
    """
    from herdbook.pipeline.commands.terminal import screen
    from herdbook.pipeline.herd.batch_failures import batch_failures
    from herdbook.pipeline.herd.batch_findings import batch_findings
    from herdbook.pipeline.herd.horizon import record_end
    from herdbook.pipeline.store.store import Store
    from herdbook.pipeline.times import utc_now

    with Store.open(store).read() as con:
        rates, small = batch_findings(con)
        failures, not_compared = batch_failures(con, record_end(con, utc_now()))
    left_out = [*not_compared, *small]
    if json:
        screen.as_json(
            {
                "rates": [_plain(r, {"rule": r.about, "profile": r.among}, ("found", "vehicles", "km")) for r in rates],
                "failures": [_plain(f, {"part": f.about}, ("failed", "parts", "days")) for f in failures],
                "left_out": left_out,
            }
        )
        return
    if failures:
        note = "How many times as often a day as the others. False discovery rate of these comparisons 5 %."
        rows = [_row(f, f.about) for f in failures]
        screen.table("Failures of parts by batch, from the service book", (*FAILED, *RATIOS), rows, note=note)
        screen.say()
    if rates:
        note = "How many times as often a km as the others. False discovery rate of these comparisons 5 %."
        rows = [_row(r, r.about, r.among) for r in rates]
        screen.table("Findings by batch", (*FOUND, *RATIOS), rows, note=note)
    else:
        what = "No findings can be" if failures else "Nothing can be"
        why = "no rule found three vehicles of a type with two batches of five and more"
        screen.say(f"{what} compared: {why}.")
    for one in left_out:
        screen.say(f"{one}.")


def _row(rate: BatchRate, *about: str) -> Sequence[str]:
    counts = (f"{side.hit} of {side.members}" for side in (rate.own, rate.others))
    return (*about, rate.batch, *counts, _ratio(rate.crude), _ratio(rate.ratio) if rate.ratio else "–", rate.words)


def _ratio(r: Ratio) -> str:
    high = "open" if r.high == float("inf") else f"{r.high:.2f}"
    return f"{r.ratio:.2f} ({r.low:.2f} to {high})"


def _plain(rate: BatchRate, about: dict[str, str], names: tuple[str, str, str]) -> dict[str, Any]:
    """names: of what is counted, among whom, and of how long they were watched."""
    from dataclasses import asdict

    counts = {
        f"{before}{name}": value
        for before, side in (("", rate.own), ("other_", rate.others))
        for name, value in zip(names, (side.hit, side.members, side.watched), strict=True)
    }
    told = asdict(rate)
    ratios = {key: told[key] for key in ("crude", "ratio", "strata", "adjusted")}
    return about | {"batch": rate.batch} | counts | ratios | {"words": rate.words}
