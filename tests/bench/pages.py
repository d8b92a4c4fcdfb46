"""What a figure of half a million samples costs, beside plotly's own page of the same data drawn in full; and what the
fleet page of ten thousand vehicles costs.

    python tests/bench/pages.py --out build/bench [--only figure|fleet]

Both pages are opened in the same Chromium from file://, one after the other: size, time to write, time from opening
until drawn, time of one zoom. Of the fleet page: time to write the whole site, and again when nothing changed; until
interactive, of a sort and of a search. Ours is thinned to about 2,400 points a trace (spikes kept). Writes pages.json.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import plotly.graph_objects as go

ROOT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(ROOT))

from playwright.sync_api import Browser  # noqa: E402

from herdbook.pipeline.reports import write_fleet  # noqa: E402
from herdbook.pipeline.reports.drawing.traces import POINTS  # noqa: E402
from herdbook.pipeline.reports.signals.page import figure_page  # noqa: E402
from herdbook.pipeline.reports.signals.window import Wire  # noqa: E402
from tests.reports.browser import PATH, Watched, chromium, opened  # noqa: E402
from tests.reports.many import ten_thousand  # noqa: E402

TRACES, EACH = 5, 100_000
ZOOM = """async () => {
  const plot = document.querySelector('.js-plotly-plot'), t = performance.now();
  const [a, b] = plot._fullLayout.xaxis.range.map(v => plot._fullLayout.xaxis.r2l(v));
  const range = [a + (b - a) * 0.4, a + (b - a) * 0.6].map(v => plot._fullLayout.xaxis.l2r(v));
  await Plotly.relayout(plot, {'xaxis.range': range});
  return performance.now() - t;
}"""
OURS = """async () => {
  const plot = document.querySelector('.plot'), t = performance.now(), [a, b] = plot.live.view;
  await window.herdbook.show(plot, a + (b - a) * 0.4, a + (b - a) * 0.6);
  return performance.now() - t;
}"""
DRAWN = "!!document.querySelector('.board .ln, .js-plotly-plot .scatterlayer .trace')"


def wires() -> list[Wire]:
    t = np.arange(EACH, dtype=np.int64) * 10_000 + 1_772_352_000_000_000
    rng = np.random.default_rng(5)
    walks = 3.3 + 0.01 * rng.normal(size=(TRACES, EACH)).cumsum(axis=1) / 30
    return [Wire(f"cell_voltage[{n}]", "V", t, walk) for n, walk in enumerate(walks, start=1)]


def theirs(given: list[Wire], path: Path) -> None:
    figure = go.Figure([go.Scatter(x=w.t / 1000, y=w.v, name=w.name, mode="lines") for w in given])
    figure.update_xaxes(type="date")
    figure.write_html(path, include_plotlyjs=True)


def look(browser: Browser, path: Path) -> dict[str, float]:
    with opened(browser, path) as watched:
        start = time.monotonic() - watched.opened_s
        watched.wait(lambda: watched.ask(DRAWN), "the figure", 120)
        drawn = time.monotonic() - start
        ours = watched.ask("!!window.herdbook")
        if ours:
            watched.live()
        size = round(path.stat().st_size / 1e6, 2)
        return {"opened_to_drawn_s": round(drawn, 2), "zoom_ms": round(zoom(watched, ours)), "mb": size}


def zoom(watched: Watched, ours: bool) -> float:
    return float(watched.page.evaluate(OURS if ours else ZOOM))


TIMED = "(() => {const t = performance.now(); %s; return performance.now() - t})()"
SORT = "document.querySelector('button[data-key=m1]').click()"


def fleet(browser: Browser, scratch: Path) -> dict[str, float]:
    """The site of ten thousand generated vehicles (no signals to draw), bars: 3 MB, 1 s until interactive."""
    store, site = ten_thousand(scratch), scratch / "site"
    spent = []
    for _ in range(2):
        start = time.monotonic()
        index = write_fleet(store, site)
        spent.append(time.monotonic() - start)
    with opened(browser, index) as watched:
        ready = watched.ask("window.herdbook.opened_ms")
        sort = watched.ask(TIMED % SORT)
        start = time.monotonic()
        watched.page.fill("#find", "vx-0999 b-24")
        watched.wait(lambda: watched.page.inner_text("#count") == "10 of 10000 vehicles", "the search")
        search = time.monotonic() - start
    pages = [p.stat().st_size for p in (site / "vehicles").iterdir()]
    return {
        "write_s": round(spent[0], 1),
        "write_again_s": round(spent[1], 1),
        "interactive_ms": round(ready),
        "sort_ms": round(sort),
        "search_ms": round(search * 1000),
        "mb": round(index.stat().st_size / 1e6, 2),
        "vehicle_page_kb": round(sum(pages) / len(pages) / 1000, 1),
    }


def figures(browser: Browser, scratch: Path) -> dict[str, object]:
    given = wires()
    found: dict[str, dict[str, float]] = {}
    for name in ("ours", "plotly_in_full"):
        path, start = scratch / f"{name}.html", time.monotonic()
        if name == "ours":
            path.write_text(figure_page("VX-001", given, None, POINTS), "utf-8")
        else:
            theirs(given, path)
        found[name] = {"write_s": round(time.monotonic() - start, 2)} | look(browser, path)
    ratios = {key: round(found["plotly_in_full"][key] / max(value, 0.01), 1) for key, value in found["ours"].items()}
    return {"samples": TRACES * EACH, **found, "theirs_over_ours": ratios}


def main() -> None:
    arguments = argparse.ArgumentParser()
    arguments.add_argument("--out", type=Path, default=Path("build/bench"))
    arguments.add_argument("--only", choices=("figure", "fleet"))
    given = arguments.parse_args()
    if not PATH:
        print("pages: Chromium is missing, nothing was measured")
        return
    result: dict[str, object] = {}
    with TemporaryDirectory() as scratch, chromium() as browser:
        if given.only != "fleet":
            result |= figures(browser, Path(scratch))
        if given.only != "figure":
            (Path(scratch) / "herd").mkdir()
            result["fleet_of_10000"] = fleet(browser, Path(scratch) / "herd")
    given.out.mkdir(parents=True, exist_ok=True)
    (given.out / "pages.json").write_text(json.dumps(result, indent=1) + "\n")
    print(json.dumps(result, indent=1))


if __name__ == "__main__":
    main()
