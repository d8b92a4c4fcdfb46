"""Samples that a figure left out come back when somebody zooms in: packed right, light enough, quick in Chromium."""

from __future__ import annotations

import base64
import gzip
import json
import re
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from herdbook.pipeline.reports.drawing.zoom_samples import Sampled, ZoomSamples, pack_samples
from herdbook.pipeline.reports.signals.page import figure_page
from herdbook.pipeline.reports.signals.window import Wire
from tests.reports.browser import chromium, needs_chromium, opened

START = 1_772_348_400_000_000  # 2026-03-01 07:00 UTC


def unpacked(blob: str) -> list[tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]]:
    """A reader of its own: (ms, values) of every trace."""
    whole = gzip.decompress(base64.b64decode(blob))
    long = int.from_bytes(whole[:4], "little")
    head, at = json.loads(whole[4 : 4 + long]), 4 + long
    out: dict[int, Any] = {}
    for kind, k in head["order"]:
        n, width = (head["times"][k]["n"], 4) if kind == 0 else (head["times"][head["traces"][k]["t"]]["n"], 2)
        planes = np.frombuffer(whole, np.uint8, n * width, at).reshape(width, n).astype(np.int64)
        at += n * width
        value = sum(planes[b] << (8 * b) for b in range(width))
        if kind == 0:
            steps = np.where(value >= 2**31, value - 2**32, value)
            head["times"][k]["x"] = head["times"][k]["start"] + np.cumsum(steps) * head["tick"]
        else:
            trace = head["traces"][k]
            level = trace["low"] + value * trace["step"]
            out[k] = head["times"][trace["t"]]["x"], np.where(value == 65535, np.nan, level)
    assert at == len(whole)
    return [out[k] for k in sorted(out)]


def test_what_is_packed_reads_back_within_a_level_and_a_tick() -> None:
    rng = np.random.default_rng(1)
    t = START + np.cumsum(rng.integers(9_000, 11_000, 30_000))
    a, b = np.sin(t / 1e6) * 40, rng.integers(0, 5, t.size).astype(float)
    blob = pack_samples([Sampled(0, t, a, 2400), Sampled(1, t, b, 2400)], None).blob
    (ta, va), (_, vb) = unpacked(blob)
    assert np.abs(ta - t / 1000).max() <= 0.051  # half a tick, and what a double can hold at such a time
    assert np.abs(va - a).max() <= 80 / 65534
    assert np.array_equal(vb, b)  # whole numbers stay whole


def test_a_signal_from_the_bus_comes_back_as_it_was() -> None:
    """Counts times 0.05 A, offset -100 A, as a DBC file would scale them."""
    counts = np.random.default_rng(3).integers(1_500, 3_000, 20_000)
    v = counts.astype(np.float64) * 0.05 - 100.0
    [(_, back)] = unpacked(pack_samples([Sampled(0, START + np.arange(v.size) * 10_000, v, 2400)], None).blob)
    assert np.abs(back - v).max() < 1e-9


def test_holes_stay_holes() -> None:
    t = START + np.arange(10_000) * 10_000
    t[5_000:] += 60_000_000  # a minute without a record
    v = np.ones(t.size)
    v[100] = np.nan
    [(_, back)] = unpacked(pack_samples([Sampled(0, t, v, 2400)], None).blob)
    assert np.flatnonzero(np.isnan(back)).tolist() == [100, 5_000]


def test_a_figure_that_leaves_nothing_out_carries_nothing() -> None:
    assert pack_samples([Sampled(0, np.arange(2_000) + START, np.ones(2_000), 2400)], None) == ZoomSamples()


def test_the_size_is_bounded_and_the_text_says_so() -> None:
    """White noise cannot be packed: two million samples of it must be thinned to fit."""
    t = START + np.arange(2_000_000) * 10_000
    made = pack_samples([Sampled(0, t, np.random.default_rng(2).normal(size=t.size), 2400)], None, 600_000)
    assert 300_000 < len(made.blob) <= 600_000
    assert made.held < made.all_of_it == 2_000_000
    assert "of 2\u202f000\u202f000" in made.text


@pytest.mark.browser
@needs_chromium
def test_zooming_brings_every_sample_and_going_back_takes_them_away(tmp_path: Path) -> None:
    """Half a million samples with one spike of one sample; a window of 10 s at 100 Hz holds 1000 of them."""
    t = START + np.arange(500_000, dtype=np.int64) * 10_000
    v = np.round(np.sin(t / 3e6) * 50, 1)
    v[250_500] = 400.0
    path = tmp_path / "signals.html"
    path.write_text(figure_page("VX-1", [Wire("pack_current", "A", t, v)], None, 2400), "utf-8")
    assert path.stat().st_size < 600_000
    points = """document.querySelector('.ln').getAttribute('d').match(/[\\d.]+ [\\d.]+/g).length"""
    look = "([a, b]) => window.herdbook.show(document.querySelector('.plot'), a, b)"
    with chromium() as browser, opened(browser, path) as watched:
        watched.live()
        page = watched.page
        assert watched.ask("document.querySelector('.plot').live.traces[0].x.length") < 2_600
        whole = watched.ask("document.querySelector('.plot').live.home")
        a, b = (START + 2_500_000_000) / 1000, (START + 2_510_000_000) / 1000
        page.evaluate(look, [a, b])
        assert watched.ask(points) == pytest.approx(1_001, abs=3)
        top, foot = watched.ask("(({low, high}) => [high, low])(document.querySelector('.plot').live.y.y)")
        drawn = watched.ask(
            "document.querySelector('.ln').getAttribute('d').match(/[\\d.]+ ([\\d.]+)/g).map(p => +p.split(' ')[1])"
        )
        tall = watched.ask("4 * document.querySelector('.plot').live.y.y.height")
        assert min(drawn) == pytest.approx(tall * (top - 400.0) / (top - foot), abs=0.06)  # the spike, where it belongs
        assert "all 1\u202f00" in page.inner_text(".zoomed")
        assert "samples that this page holds of this stretch are drawn" in page.inner_text(".zoomed")
        assert watched.ask("document.querySelector('.plot').live.view") == [a, b]
        c, d = (START + 1_000_000_000) / 1000, (START + 1_100_000_000) / 1000  # 100 s: 10 001 samples, too many to draw
        page.evaluate(look, [c, d])
        assert watched.ask("document.querySelector('.plot').live.view") == [c, d]
        assert re.search("2\u202f[34]\\d\\d of 10\u202f001 samples of this stretch", page.inner_text(".zoomed"))
        page.focus(".plot")
        page.keyboard.press("0")
        watched.wait(lambda: not watched.ask("document.querySelector('.plot').dataset.shown"), "the whole again")
        assert watched.ask("document.querySelector('.plot').live.view") == whole
        assert watched.complaints == []
