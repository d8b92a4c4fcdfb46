"""Truth against words: what counts as found, clean, false and missed under a good score."""

from __future__ import annotations

from dataclasses import replace

import pytest

from demo_logs.makers.report import as_markdown
from demo_logs.makers.run import FaultLabel, Outcome, Word
from demo_logs.makers.score import BESIDE, FALSE, RIGHT, reliability, score, verdict_of
from herdbook.pipeline.health.rules import all_rules

SUBSYSTEMS = {name: rule.subsystem for name, rule in all_rules().items()}
WEAK = FaultLabel("weak_group", 2.0, "3", 0, 4)
SOUND = Outcome("A-1", 1, "open", (), (), 12, 4, 30.4375, ())


def word(rule: str, item: str = "", severity: str = "service", confidence: float = 0.97) -> Word:
    return Word(rule, severity, item, confidence, "said", 0)


def test_a_word_must_name_the_cause_and_its_place() -> None:
    faulty = replace(SOUND, faults=(WEAK,), true_words=(("bms_fault", ""), ("out_of_balance", "5")))
    assert verdict_of(word("weak_group", "cell 3"), faulty) == RIGHT
    assert verdict_of(word("weak_group", "cell 4"), faulty) == FALSE
    assert verdict_of(word("group_under_voltage", "cell 9"), faulty) == BESIDE  # a consequence of the fault
    assert verdict_of(word("bms_fault", "bit 1"), faulty) == BESIDE  # true of its state
    assert verdict_of(word("out_of_balance", "cell 5"), faulty) == BESIDE
    assert verdict_of(word("out_of_balance", "cell 6"), faulty) == FALSE
    assert verdict_of(word("hot_because_of_load"), SOUND) == FALSE
    assert verdict_of(word("hot_because_of_load", severity="note"), SOUND) == BESIDE


def test_recall_clean_finds_and_misses() -> None:
    found = replace(SOUND, vehicle="A-2", faults=(WEAK,), words=(word("weak_group", "cell 3"),))
    dirty = replace(found, vehicle="A-3", words=(*found.words, word("drag_high")))
    missed = replace(found, vehicle="A-4", words=(), scores={"cells": 100.0}, rides=2)
    refused = replace(missed, vehicle="A-5", scores={"cells": None}, refused=("weak_group",))
    unseen = replace(found, vehicle="A-6", faults=(replace(WEAK, shown=0),))
    alarm = replace(SOUND, vehicle="A-7", words=(word("drag_high"),))
    card = score([SOUND, found, dirty, missed, refused, unseen, alarm], SUBSYSTEMS)
    assert [f.found for f in card.faults] == [True, True, False, False]
    assert [f.clean for f in card.faults] == [True, False, False, False]
    assert [f.perfect for f in card.missed] == [True, False]
    assert [f.refused for f in card.missed] == [False, True]
    assert [f.much for f in card.faults] == [True, True, False, False]
    assert len(card.unseen) == 1
    assert card.sound == 2
    assert card.false_per_100("service") == pytest.approx(100.0 / 2.0)
    text = as_markdown(card)
    assert "2 of 4 = 50.0 %" in text
    assert "A-7 (sound) service drag_high" in text


def test_reliability_sorts_words_by_stated_confidence() -> None:
    said = replace(
        SOUND,
        faults=(WEAK,),
        words=(word("weak_group", "cell 3", confidence=0.96), word("drag_high", confidence=0.97), word("belt_slip")),
    )
    rows = reliability(score([said], SUBSYSTEMS).words)
    assert [(low, high, count, good) for low, high, count, good, _ in rows] == [(0.95, 0.98, 3, 1)]


def test_vehicles_of_which_nothing_is_logged_count_as_no_vehicle_months() -> None:
    card = score([replace(SOUND, rides=0, charges=0)], SUBSYSTEMS)
    assert card.sound_months == 0.0
