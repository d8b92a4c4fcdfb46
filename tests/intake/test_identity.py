"""Whose log it is: who may say so, who wins, and which contradictions are refused."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import pytest

from herdbook.pipeline.errors import InputError
from herdbook.pipeline.intake.identity import checked_name, vehicle_from_path, vehicle_name, whose
from herdbook.pipeline.intake.identity_signals import SerialSeen
from herdbook.pipeline.vehicle.profile import Profile, load_profile
from tests.toy.bench import DATA

PATTERN = r"(?P<vehicle>TOY-\d{3})"


@pytest.fixture(scope="module")
def toy() -> Profile:
    """It writes vehicles as TOY-007."""
    return load_profile(DATA / "toy.toml")


def seen(*serials: str, component: str = "vehicle") -> list[SerialSeen]:
    return [SerialSeen(component, s, 0, 1, 1) for s in serials]


@pytest.mark.parametrize(
    ("sidecar", "path", "serials", "expected"),
    [
        ("TOY-007", "TOY-007", seen("7"), ("TOY-007", "sidecar")),
        ("", "TOY-007", seen("7"), ("TOY-007", "path")),
        ("", "", seen("7"), ("TOY-007", "bus")),
        ("", "", seen("7", "7"), ("TOY-007", "bus")),
        ("Anna", "", [], ("Anna", "sidecar")),
        ("", "TOY-009", seen("3", component="pack"), ("TOY-009", "path")),  # a pack's serial is nobody's name
    ],
)
def test_sidecar_then_path_then_bus(
    toy: Profile, sidecar: str, path: str, serials: list[SerialSeen], expected: tuple[str, str]
) -> None:
    assert whose(sidecar, path, serials, toy) == expected


@pytest.mark.parametrize(
    ("sidecar", "path", "serials", "said"),
    [
        ("TOY-007", "TOY-008", [], "the sidecar says 'TOY-007', but the path says 'TOY-008'"),
        ("TOY-007", "", seen("8"), "the sidecar says 'TOY-007', but the bus says 'TOY-008'"),
        ("", "TOY-007", seen("8"), "the path says 'TOY-007', but the bus says 'TOY-008'"),
        ("X-7", "", seen("7"), "the sidecar says 'X-7', but the bus says 'TOY-007'"),
        ("TOY-007", "", seen("7", "8"), "several vehicles: serials 7, 8"),
        ("", "", [], "nothing says which vehicle"),
    ],
)
def test_contradictions_are_refused(
    toy: Profile, sidecar: str, path: str, serials: list[SerialSeen], said: str
) -> None:
    with pytest.raises(InputError, match=said) as caught:
        whose(sidecar, path, serials, toy)
    assert caught.value.do


def test_without_a_written_form_the_number_counts(toy: Profile) -> None:
    """HB-00017 and serial 17 are one vehicle; the name is the one that a person gave."""
    plain = replace(toy, identity={})
    assert vehicle_name("17", plain) == "17"
    assert vehicle_name("17", toy) == "TOY-017"
    assert whose("HB-00017", "", seen("17"), plain) == ("HB-00017", "sidecar")
    for name in ("HB-00018", "HB-00017x", "seventeen"):
        with pytest.raises(InputError):
            whose(name, "", seen("17"), plain)
    with pytest.raises(InputError):  # only the bus may be a bare number
        whose("HB-00017", "HB-17", [], plain)


@pytest.mark.parametrize(
    ("path", "expected"),
    [
        ("/in/TOY-007/day.log", "TOY-007"),
        ("/in/TOY-007/2026/day.log", "TOY-007"),
        ("/TOY-007/in/2026/day.log", ""),  # only the last three pieces of a path count
        ("/in/TOY-007/TOY-007.log", "TOY-007"),
        ("/in/plain.log", ""),
    ],
)
def test_the_path_names_the_vehicle(path: str, expected: str) -> None:
    assert vehicle_from_path(path, [PATTERN]) == expected


def test_a_path_of_two_names_or_an_unfit_one_is_refused() -> None:
    with pytest.raises(InputError, match="TOY-007 and TOY-008"):
        vehicle_from_path("/in/TOY-008/TOY-007.log", [PATTERN])
    with pytest.raises(InputError, match="cannot be used"):
        vehicle_from_path("/in/a\x07b/x.log", [r"in/(?P<vehicle>[^/]+)/"])


def test_names_from_outside_are_bounded() -> None:
    assert checked_name("  Rüdiger 7 ", "vehicle") == "Rüdiger 7"
    assert checked_name("x" * 64, "vehicle") == "x" * 64
    for name in ("", "   ", "x" * 65, "a\nb", "a\x1bb", "a\u202eb"):
        with pytest.raises(ValueError, match="vehicle"):
            checked_name(name, "vehicle")


def test_a_vehicle_that_the_settings_name_wrongly_is_told_as_such(toy: Profile) -> None:
    with pytest.raises(InputError, match="the vehicle that the settings name cannot be used"):
        whose("", "", [], toy, "RIG\x1b")


ENDLESS = ["(?P<vehicle>([a-z0-9]+)+)!", "(?P<vehicle>(x+x+)+y)", "(?P<vehicle>(.*)*)#", "(?P<vehicle>(x|xx)+)$"]


@pytest.mark.parametrize("pattern", ENDLESS)
def test_a_pattern_that_goes_back_without_end_is_ended(pattern: str) -> None:
    """Each of these would go on for longer than anybody waits; in a process of its own, so that this test fails and
    does not hang where nothing ends it."""
    code = (
        "from herdbook.pipeline.errors import InputError\n"
        "from herdbook.pipeline.intake.identity import vehicle_from_path\n"
        f"try:\n print([vehicle_from_path('x' * 200 + '/-', [{pattern!r}])])\n"
        "except InputError as error:\n print(error)"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True)
    assert said.stdout.strip() == "['']" or "takes over 1 s" in said.stdout


def test_a_pattern_that_takes_too_long_says_so() -> None:
    with pytest.raises(InputError, match=r"takes over 1 s .* plainer"):
        vehicle_from_path("a" * 200 + "!", ["(?P<vehicle>(a|aa)+)$"])
