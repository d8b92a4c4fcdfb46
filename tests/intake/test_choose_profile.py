"""Which profile a log gets: the one named, valid then, that knows its identifiers; doubt is refused with a way out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from herdbook.decoders.frames import ERROR, Frames
from herdbook.pipeline.errors import InputError, ProfileError
from herdbook.pipeline.intake.choose_profile import ProfileRefusedError, choose_profile, known_share
from herdbook.pipeline.vehicle.profile import Profile, load_profile
from herdbook.pipeline.vehicle.refused_profile import RefusedProfile
from tests.toy.bench import DATA

T = 1_772_352_000_000_000  # 2026-03-01T08:00:00Z


@pytest.fixture(scope="module")
def toy() -> Profile:
    """It knows the identifiers 100 to 103."""
    return load_profile(DATA / "toy.toml")


def frames(*ids: int, channel: str = "can0", flags: tuple[int, ...] = ()) -> Frames:
    n = len(ids)
    return Frames(
        t=np.arange(n, dtype=np.int64),
        channel=np.zeros(n, np.uint8),
        can_id=np.array(ids, np.uint32),
        flags=np.array(flags or [0] * n, np.uint8),
        length=np.full(n, 8, np.uint8),
        payload=np.zeros((n, 8), np.uint8),
        channels=(channel,),
    )


def refused(head: Frames, profiles: list[Profile], named: str = "", least: float = 0.5) -> InputError:
    with pytest.raises(InputError) as caught:
        choose_profile(head, T, profiles, named, least)
    assert caught.value.do
    return caught.value


def test_the_share_counts_data_frames_only(toy: Profile) -> None:
    assert known_share(frames(0x100, 0x103, 0x7AA, 0x7AB), toy) == 0.5
    assert known_share(frames(0x100, 0x20000004, flags=(0, ERROR)), toy) == 1.0
    assert known_share(frames(), toy) == 0.0


def test_the_only_one_that_knows_enough(toy: Profile) -> None:
    head = frames(0x100, 0x7AA)
    assert choose_profile(head, T, [toy], "", 0.5) is toy
    assert (
        "knows the identifiers of only 50% of the frames; no profile knows more" in refused(head, [toy], "", 0.51).what
    )


def test_the_name_of_a_profile_or_a_family_narrows_the_choice(toy: Profile) -> None:
    one, two = replace(toy, name="one", family="board"), replace(toy, name="two", family="other")
    head = frames(0x100)
    assert choose_profile(head, T, [one, two], "two", 0.5) is two
    assert choose_profile(head, T, [one, two], "board", 0.5) is one
    assert "names profile 'three'" in refused(head, [one, two], "three").what
    assert "Known: one, two" in refused(head, [one, two], "three").do


def test_doubt_between_two_is_refused(toy: Profile) -> None:
    one, two = replace(toy, name="one"), replace(toy, name="two")
    assert "profiles one and two know its identifiers equally well" in refused(frames(0x100), [one, two]).what


def test_the_one_valid_on_that_day(toy: Profile) -> None:
    old, new = replace(toy, name="old", valid_to=T), replace(toy, name="new", valid_from=T)
    head = frames(0x100)
    assert choose_profile(head, T, [old, new], "", 0.5) is new
    assert choose_profile(head, T - 1, [old, new], "", 0.5) is old
    assert "no profile is valid on 2026-03-01 08:00:00 UTC (looked at old)" in refused(head, [old]).what


def test_a_profile_that_knows_more_is_named(toy: Profile) -> None:
    """The sidecar says one, the identifiers another: the log may be a different vehicle's."""
    stranger = replace(toy, name="stranger", valid_to=T)
    blind = replace(toy, name="blind", buses=(("can7", toy.buses[0][1]),), network_hash="other")
    error = refused(frames(0x100), [blind, stranger], "blind")
    assert "buses are called can0, in profile blind they are can7" in error.what
    few = frames(0x100, *[0x7AA] * 9)
    assert "only 0% of the frames; stranger knows 10%" in refused(few, [blind, stranger], "blind").what


def test_the_pattern_of_a_refused_profile_claims_as_a_sound_one_would(toy: Profile, tmp_path: Path) -> None:
    """By the last three pieces of the path, and a pattern that goes back over the path without end does not hang."""
    head = frames(0x100)

    def bad(pattern: str) -> RefusedProfile:
        gone = (tmp_path / "gone.dbc",)
        return RefusedProfile("bad", tmp_path / "bad.toml", ProfileError("is wrong"), path_pattern=pattern, dbc=gone)

    def chosen(pattern: str, path: str) -> Profile:
        return choose_profile(head, T, [toy], "", 0.5, refused=[bad(pattern)], path=path)

    plain = r"(?P<vehicle>AB-\d{2})"
    with pytest.raises(ProfileRefusedError, match="profile bad is refused"):
        chosen(plain, "/data/inbox/week/AB-01.log")
    assert chosen(plain, "/AB-01/data/inbox/week/ride.log") is toy
    with pytest.raises(ProfileRefusedError, match="profile bad is refused"):
        chosen("(?P<vehicle>(a|aa)+)$", "a" * 200 + "!")
