"""What studies of the line say: rows of a table for terminal and page, a sentence for the result."""

from __future__ import annotations

from collections.abc import Sequence
from math import isnan, sqrt

from herdbook.pipeline.bench.study.in_control import CHART_WORDS, RUN_LENGTHS, LineChart, among_all
from herdbook.pipeline.bench.study.in_subgroups import GroupChart
from herdbook.pipeline.bench.study.keeps_limits import LimitStudy
from herdbook.pipeline.bench.study.repeats import RepeatStudy
from herdbook.pipeline.reports.words import numbers
from herdbook.pipeline.science.control_charts import shewhart_run_length
from herdbook.pipeline.science.gauge import Interval

SHORT = {"shewhart": "Shewhart", "ewma": "EWMA", "cusum": "CUSUM"}
GOOD, FAIR = 0.10, 0.30  # sd of the gauge over all: common practice
RARE = 0.05
WANTED = 4 / 3  # Cpk that common practice asks for of a running line

REPEAT_HEAD = (
    *("item", "tests", "sd again", "sd persons", "sd in all (95 %)", "share (95 %)", "of limits"),
    *("tells apart", "verdict"),
)
CHART_HEAD = ("item", "line", "values", "mean", "sd", "first signal", "shift began about", "by chance", "verdict")
GROUP_HEAD = ("item", "line", "groups", "mean", "sd within", "first signal", "by chance", "verdict")
LIMIT_HEAD = ("item", "units", "mean", "sd", "Cp (95 %)", "Cpk (95 %)", "outside", "verdict")


def number(value: float) -> str:
    return "–" if isnan(value) else numbers.number(value)


def _ends(one: Interval, scale: float = 1.0, root: bool = False, unit: str = "") -> str:
    if isnan(one.value):
        return "–"
    value, low, high = (scale * (sqrt(v) if root else v) for v in (one.value, one.low, one.high))
    return f"{numbers.number(value)}{unit} ({numbers.number(low)} to {numbers.number(high)})"


def repeat_row(s: RepeatStudy) -> tuple[str, ...]:
    if s.gauge is None:
        return (s.item, *("–",) * 7, s.lacking)
    g = s.gauge
    tolerance = "–" if isnan(g.to_tolerance.value) else f"{100 * g.to_tolerance.value:.0f} %"
    return (
        s.item,
        s.tests,
        number(sqrt(g.repeatability.value)),
        "not known" if isnan(g.reproducibility.value) else number(sqrt(g.reproducibility.value)),
        _ends(g.gauge, root=True),
        _ends(g.share, 100, unit=" %"),
        tolerance,
        str(g.categories),
        repeat_verdict(s),
    )


def repeat_verdict(s: RepeatStudy) -> str:
    if s.gauge is None:
        return s.lacking
    share = s.gauge.share
    if isnan(share.value):
        return "all values are alike"
    if share.high < GOOD:
        return "fit"
    if share.low > FAIR:
        return "not fit"
    word = "fit" if share.value < GOOD else "may do" if share.value <= FAIR else "not fit"
    return f"{word}, not certain"


def repeat_sentences(studies: Sequence[RepeatStudy]) -> tuple[str, str]:
    known = [s for s in studies if s.gauge is not None]
    if not known:
        return "Not enough to say how well the line's tests repeat.", studies[0].lacking.capitalize() + "."
    worst = max(known, key=lambda s: -1.0 if s.gauge is None or isnan(s.gauge.share.value) else s.gauge.share.value)
    assert worst.gauge is not None
    of = f" of item {worst.item}" if worst.item else ""
    unit = numbers.unit(worst.unit)
    sd, share = sqrt(worst.gauge.gauge.value), worst.gauge.share
    first = f"A test{of} has a standard deviation of {numbers.number(sd)} {unit}".rstrip()
    if isnan(share.value):
        return f"{first}.", "All values are alike, so nothing can be said of its share."
    first += f", {_ends(share, 100, unit=' %')} of that of all that is measured (95 %)."
    return first, (
        "Tests: units × persons × repeats. Again: the same person once more. Share: sd of the test over that of all "
        "that is measured. Common practice calls a test fit up to 10 %, of some use up to 30 %, not fit beyond; a "
        "verdict is certain where the whole interval lies on one side."
    )


def chart_rows(series: Sequence[LineChart]) -> list[tuple[str, ...]]:
    return [_chart_row(c, p) for c, p in zip(series, among_all(series), strict=True)]


def _chart_row(c: LineChart, p: float) -> tuple[str, ...]:
    first = "; ".join(f"{SHORT[k]} {name}" for k, name in c.signals.items())
    about = c.about
    return (
        c.item,
        c.line or "–",
        str(len(c.values)),
        number(about.mean) if about else "–",
        number(about.sd) if about else "–",
        first or "–",
        c.began or "–",
        _chance(p),
        steadiness(c, p),
    )


def _chance(p: float) -> str:
    return "–" if isnan(p) else "under 0.01" if p < 0.01 else f"{p:.2f}"


def steadiness(c: LineChart | GroupChart, p: float) -> str:
    """p: of the series among all that were looked at."""
    if c.found is None:
        return c.lacking
    if p < RARE:
        return "not steady"
    return "signals, as chance may" if c.signals else "steady"


def _result(series: Sequence[LineChart | GroupChart]) -> str:
    """In a sentence or two; "" where nothing is known of any series."""
    known = [(c, p) for c, p in zip(series, among_all(series), strict=True) if c.found is not None]
    if not known:
        return ""
    off = [c for c, p in known if p < RARE]
    by_luck = sum(1 for c, p in known if c.signals and p >= RARE)
    many = numbers.plural(len(known), "series", "series")
    signal = "signals" if by_luck == 1 else "signal"
    luck = f" {by_luck} of {many} {signal} no more than chance may." if by_luck else ""
    if not off:
        return f"Nothing says that the line is not steady ({many}).{luck}"
    named = ", ".join(" ".join(x for x in (c.item, c.line) if x) or "the line" for c in off[:6])
    more = f" and {len(off) - 6} more" if len(off) > 6 else ""
    return f"Not steady: {len(off)} of {many} ({named}{more}).{luck}"


def _open(series: Sequence[LineChart | GroupChart]) -> tuple[str, str]:
    return "Not enough to say whether the line is steady.", f"{series[0].lacking.capitalize()}."


def chart_sentences(series: Sequence[LineChart]) -> tuple[str, str]:
    first = _result(series)
    if not first:
        return _open(series)
    return first, (
        "By chance: how often a steady line of that length, with a baseline as short, shows as much on any chart, "
        f"among all series looked at. {run_length_words()}"
    )


def run_length_words() -> str:
    """How rarely each chart cries wolf, and how soon it tells a shift of one standard deviation."""
    parts = [f"{CHART_WORDS[k]} {of(0.0):.0f} and {of(1.0):.0f}" for k, of in RUN_LENGTHS.items()]
    return (
        "Values until a signal on average, without a shift and at one of 1 sd, were mean and sd known exactly and "
        f"neighbours independent: {numbers.listing(parts)}."
    )


def group_rows(series: Sequence[GroupChart]) -> list[tuple[str, ...]]:
    return [_group_row(c, p) for c, p in zip(series, among_all(series), strict=True)]


def _group_row(c: GroupChart, p: float) -> tuple[str, ...]:
    f = c.found
    sizes = [g.size for g in c.groups]
    many = f"{min(sizes)}" if min(sizes, default=0) == max(sizes, default=0) else f"{min(sizes)} to {max(sizes)}"
    return (
        c.item,
        c.line or "–",
        f"{len(sizes)} of {many}" if sizes else "0",
        number(f.mean) if f else "–",
        number(f.within) if f else "–",
        "; ".join(f"{chart} {name}" for chart, name in c.signals.items()) or "–",
        _chance(p),
        steadiness(c, p),
    )


def group_sentences(series: Sequence[GroupChart]) -> tuple[str, str]:
    first = _result(series)
    c, f = next(((c, c.found) for c in series if c.found is not None), (None, None))
    if c is None or f is None:
        return _open(series)
    n = sorted(f.sizes)[len(f.sizes) // 2]
    spreads = "ranges (R)" if f.spread == "R" else "standard deviations (S)"
    return first, (
        f"Subgroups by {c.by}: means (X-bar) and {spreads}, limits three standard deviations away by the "
        f"spread within groups. With {n} units a group a mean signals after {shewhart_run_length(0.0):.0f} groups "
        f"without a shift and {shewhart_run_length(sqrt(n)):.1f} at one of 1 sd of a unit. By chance: how often a "
        "steady line of such groups, with a baseline as short, goes as far on either chart, among all series looked at."
    )


def limit_row(s: LimitStudy) -> tuple[str, ...]:
    f = s.found
    if f is None:
        return (s.item, str(len(s.values)), "–", "–", "–", "–", str(s.outside), s.lacking)
    cp = "–" if isnan(f.cp) else f"{f.cp:.2f} ({f.cp_low:.2f} to {f.cp_high:.2f})"
    return (
        s.item,
        str(f.n),
        number(f.mean),
        number(f.sd),
        cp,
        f"{f.cpk:.2f} ({f.cpk_low:.2f} to {f.cpk_high:.2f})",
        str(s.outside),
        limit_verdict(s),
    )


def limit_verdict(s: LimitStudy) -> str:
    if s.found is None:
        return s.lacking
    if s.found.cpk_low >= WANTED:
        return "capable"
    return "not capable" if s.found.cpk_high < WANTED else "not decided"


def limit_sentences(studies: Sequence[LimitStudy]) -> tuple[str, str]:
    known = [s for s in studies if s.found is not None]
    if not known:
        return "Not enough to say whether the line keeps its limits.", studies[0].lacking.capitalize() + "."
    worst = min(known, key=lambda s: s.found.cpk if s.found else 0.0)
    assert worst.found is not None
    f = worst.found
    of = f" of item {worst.item}" if worst.item else ""
    first = f"Cpk{of} is {f.cpk:.2f}, between {f.cpk_low:.2f} and {f.cpk_high:.2f} (95 %), from {f.n} units: "
    first += limit_verdict(worst) + "."
    beyond = f"{100 * f.beyond:.2g} %" if f.beyond >= 1e-4 else f"{1e6 * f.beyond:.2g} in a million"
    return first, (
        f"Were the values normal, {beyond} would lie beyond the limits; {worst.outside} of {f.n} do. "
        f"Common practice asks for a Cpk of {WANTED:.2f}: capable when the whole interval lies above it, not capable "
        "when it lies below."
    )
