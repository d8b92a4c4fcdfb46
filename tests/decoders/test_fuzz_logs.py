"""A short fuzz run over every format, and every input that ever failed in a long one (make fuzz)."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.decoders.fuzz import KINDS, LONG, RECORD, SAMPLES, judged, run

KEPT = sorted(SAMPLES.iterdir()) if SAMPLES.exists() else []


@pytest.mark.parametrize("kind", KINDS)
def test_any_damage_gives_an_answer(tmp_path: Path, kind: str) -> None:
    found = run(kind, 60, 7, tmp_path)
    assert "failed" not in found
    assert found["inputs"] >= 60


@pytest.mark.parametrize("path", KEPT, ids=lambda p: p.name)
def test_what_once_failed(path: Path) -> None:
    judged(path)


def test_the_long_run_is_on_record() -> None:
    told = json.loads(RECORD.read_text())
    missing = sorted(set(KINDS) - set(told["formats"]))
    assert not missing, (
        f"No long run of {missing} is on record yet: .venv/bin/python -m tests.decoders.fuzz "
        f"--inputs {-(-LONG // len(KINDS))} --kinds {' '.join(missing)}"
    )
    assert set(told["formats"]) == set(KINDS)
    assert told["total"]["inputs"] >= LONG
    assert not [kind for kind, f in told["formats"].items() if "failed" in f]
