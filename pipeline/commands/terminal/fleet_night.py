"""What `herdbook fleet --night` adds on the terminal: the night's questions that need more than a list of findings."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from herdbook.pipeline.herd.overview import Overview
    from herdbook.pipeline.store.store import Store


def read(store: Store) -> Overview:
    """All that the published catalogue says about the herd as a whole."""
    from herdbook.pipeline.herd.overview import overview

    with store.read() as con:
        return overview(store, con)


def show(wide: Overview) -> None:
    from herdbook.pipeline.commands.terminal import screen

    screen.say()
    _causes(wide)
    _drift(wide)
    _standing(wide)
    _run(wide)
    screen.say(f"Fingerprint of all findings and scores: {wide.fingerprint}. The same logs and rules give the same.")


def _causes(wide: Overview) -> None:
    from herdbook.pipeline.commands.terminal import screen

    if wide.rules_changed:
        screen.say("The rule set changed since the night before: news may come from the rules, not the vehicles.")
    told = [("tonight", s.about, s.words) for s in wide.shared_new]
    told += [("standing", s.about, s.words) for s in wide.shared_standing]
    if told:
        screen.table("One cause or many", ("when", "finding", "what the vehicles share"), told)
    else:
        screen.say("One cause or many: no firmware, hardware, batch or profile stands out.")
    if wide.chances:
        rows = [(c.rule or "all rules", c.seen, c.expected, c.at_most, c.p, c.words) for c in wide.chances]
        heads = ("rule", "new", "false expected", "at most", "chance", "read as")
        screen.table(
            "New findings against the usual false rate",
            heads,
            rows,
            note="Usual rate: a labelled campaign of simulated vehicles, not this fleet.",
        )


def _drift(wide: Overview) -> None:
    from herdbook.pipeline.commands.terminal import screen

    rows = [
        (
            d.vehicle,
            d.words,
            d.item,
            d.now,
            d.limit,
            f"{d.slope:.2g} ({d.low:.2g} to {d.high:.2g})",
            f"{d.earliest:%Y-%m-%d}",
            f"{d.latest:%Y-%m-%d}" if d.latest else "perhaps never",
            d.n,
        )
        for d in wide.drifts.rows
    ]
    if rows:
        heads = ("vehicle", "what", "item", "now", "limit", "a week (95 %)", "not before", "not after", "n")
        screen.table("Drifting toward a limit", heads, rows)
    else:
        screen.say("Drift: no vehicle is seen to drift toward a limit, as far as the data can show it.")


def _standing(wide: Overview) -> None:
    from herdbook.pipeline.commands.terminal import screen

    rows = [(p["vehicle"], f"parked near {p['state']}", f"{p['soc']:.0f} %, {p['days']:.0f} days") for p in wide.parked]
    for c in wide.charging:
        if c["cold_ah"] > 0:
            rows.append((c["vehicle"], "charged below the cold limit", f"{c['cold_ah']:.2g} Ah"))
        else:
            rows.append((c["vehicle"], "never charged full", screen.plural(c["charges"], "charge")))
    if rows:
        screen.table("Parked and charging, for a look", ("vehicle", "what", "figures (days to the newest scan)"), rows)
    else:
        screen.say("Parked and charging: nothing to look at.")


def _run(wide: Overview) -> None:
    from herdbook.pipeline.commands.terminal import screen

    rows = [
        (
            str(r["started_t"])[:16],
            r["state"],
            r["logs_new"],
            r["logs_known"],
            r["vehicles"],
            r["seconds"],
            ", ".join(f"{step} {s:.1f} s" for step, s in r["steps"].items()),
        )
        for r in wide.runs
    ]
    heads = ("began (UTC)", "state", "new logs", "known", "vehicles", "seconds", "of which")
    if rows:
        screen.table("The last runs", heads, rows)
    if f := wide.forecast:
        fits = "fits" if f.fits else "may not fit"
        screen.say(
            f"A night of {f.most_logs} logs, the most so far, would take {f.longest_s:.0f} s at the slowest "
            f"pace seen and {fits} into {f.limit_h:g} h."
        )
    for n in (n for n in wide.networks if n["is_new"]):
        screen.say(f"New DBC files tonight: {n['profile']}, {n['network'][:12]}.", style="bold")
    for s in (s for s in wide.steps if s.alarm):
        screen.say(
            f"Check the unit of {s.words} ({s.profile}): {s.before:.4g} to {s.now:.4g} {s.unit} on "
            f"{s.moved:.0%} of {s.n} vehicles at once.",
            style="bold",
        )
    if r := wide.room:
        left = f"; at {r.a_day / 1e6:.1f} MB a day room for {r.days_left:.0f} days" if r.a_day and r.days_left else ""
        kept = r.lake + r.catalogue + r.published + r.other
        screen.say(f"Room: {kept / 1e6:.1f} MB in use, {r.free / 1e9:.1f} GB free{left}.")
