"""The harness that draws wrong profiles: mutations are such as it says, and its card counts what it saw."""

from __future__ import annotations

import random

from demo_logs.wrong_profiles import KINDS, PROFILES, Seen, drawn, look, moved, mutations, report


def test_every_kind_is_drawn_and_differs_from_the_right_one() -> None:
    text = (PROFILES / "zirbel.toml").read_text("utf-8")
    endless = mutations("zirbel", text, random.Random(3))
    some = [next(endless) for _ in range(120)]
    assert {m.kind for m in some} == set(KINDS)
    assert all(m.text != text for m in some)
    assert [m.text for m in drawn(6, 1)] == [m.text for m in drawn(6, 1)]


def test_a_metric_matters_from_five_percent_on() -> None:
    assert moved({("ride", 0, "a", ""): 100.0}, {("ride", 0, "a", ""): 104.0}) == ""
    assert moved({("ride", 0, "a", ""): 100.0}, {("ride", 0, "a", ""): 94.0}).startswith("a[]")
    assert moved({("ride", 0, "a", ""): 100.0}, {}) == "a[] went"


def test_a_typing_error_is_refused_and_counted() -> None:
    endless = mutations("zirbel", (PROFILES / "zirbel.toml").read_text("utf-8"), random.Random(4))
    typo = next(m for m in endless if m.kind == "typo")
    seen = look(typo)
    assert seen.told == "check"
    silent = Seen(typo, "", "", "a[] went")
    card = report([seen, silent])
    assert "1 refused at the check" in card
    assert "of these 1 are silent" in card
    assert typo.what in card
