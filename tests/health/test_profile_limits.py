"""A maker's limit that no rule has is refused, at the check and by a scan, with the nearest that there is."""

from __future__ import annotations

from pathlib import Path

import pytest

from herdbook.pipeline.errors import ProfileError
from herdbook.pipeline.health.profile_limits import examine_whole, wrong_limits
from herdbook.pipeline.vehicle.profile import load_profile
from tests.toy.bench import Bench
from tests.vehicle.test_profile_mistakes import changed


def with_limit(folder: Path, said: str) -> Path:
    return changed(folder, "[[bus]]", f"[limits]\n{said}\n\n[[bus]]")


@pytest.mark.parametrize(
    ("said", "told"),
    [
        ('"weak_grp.look" = 2', 'Did you mean weak_group.look'),
        ('"regen_dropoutt.duration" = 0.3', "Did you mean regen_dropout.duration"),
        ('"regen_dropout.durration" = 0.3', "Did you mean regen_dropout.duration"),
        ('"regen_dropout.duration" = -0.3', "= -0.3 cannot be"),
        ('"winding_hot.highes" = 120', "Did you mean winding_hot.highest"),
    ],
)  # fmt: skip
def test_a_limit_that_is_none_is_refused_with_its_line(tmp_path: Path, said: str, told: str) -> None:
    path = with_limit(tmp_path, said)
    (problem,) = examine_whole(path)[1].errors
    assert told in str(problem)
    assert problem.line is not None
    assert path.read_text("utf-8").splitlines()[problem.line - 1] == said
    refused = wrong_limits(load_profile(path))
    assert refused is not None
    assert "limits" in str(refused)


def test_a_limit_that_a_rule_has_is_in_force(tmp_path: Path) -> None:
    path = with_limit(tmp_path, '"regen_dropout.duration" = 0.3\n"winding_hot.highest" = -5')
    profile, found = examine_whole(path)
    assert not found.errors
    assert profile is not None
    assert profile.limits["regen_dropout.duration"] == 0.3
    assert wrong_limits(profile) is None


def test_a_scan_refuses_a_limit_that_is_none(tmp_path: Path) -> None:
    profiles = tmp_path / "profiles"
    profiles.mkdir()
    with_limit(profiles, '"weak_grp.look" = 2')
    bench = Bench(tmp_path, profiles)
    with pytest.raises(ProfileError, match="weak_grp"):
        bench.scan()
