"""The container file, as far as it can be held without an engine: its steps copy all that an installation needs, and
what runs has no rights. The steps themselves were run by hand in a Debian of their own: pipeline/manual/platforms.md.
"""

from __future__ import annotations

import json
import shlex
import tomllib
from pathlib import Path

from tests.readme import ROOT
from tests.test_install import DEMO, OURS


def steps() -> list[tuple[str, str]]:
    """(instruction, rest) in order; lines that go on are joined."""
    text = (ROOT / "Containerfile").read_text("utf-8").replace("\\\n", " ")
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    return [(line.split(" ", 1)[0], line.split(" ", 1)[1]) for line in lines]


def of(kind: str) -> list[str]:
    return [rest for name, rest in steps() if name == kind]


def test_it_copies_all_that_an_installation_needs_and_nothing_else() -> None:
    copied = {source for rest in of("COPY") for source in shlex.split(rest)[:-1]}
    assert {"pyproject.toml", "setup.py", "README.md", "LICENSE", "constraints.txt", *OURS, *DEMO} == copied
    assert all((ROOT / source).exists() for source in copied)


def test_every_copy_keeps_its_place() -> None:
    for rest in of("COPY"):
        *sources, target = shlex.split(rest)
        assert target == "./" or sources == [target]


def test_the_command_runs_as_a_user_without_rights_on_a_volume_of_its_own() -> None:
    names = [name for name, _ in steps()]
    (user,) = of("USER")
    assert user not in ("root", "0")
    assert names.index("USER") > max(i for i, name in enumerate(names) if name in ("RUN", "COPY"))
    assert f"useradd --system --create-home --uid 10001 {user}" in " ".join(of("RUN"))
    assert json.loads(of("ENTRYPOINT")[0]) == ["herdbook"]
    assert of("VOLUME") == ["/store"]
    assert any("HERDBOOK_STORE=/store" in rest for rest in of("ENV"))


def test_it_installs_the_pinned_versions_and_extras_that_there_are() -> None:
    install = next(rest for rest in of("RUN") if "pip install" in rest)
    assert "-c constraints.txt" in install
    assert '".${EXTRAS}"' in install
    manual = (ROOT / "pipeline" / "manual" / "running.md").read_text("utf-8")
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["optional-dependencies"]
    assert 'EXTRAS="[night]"' in manual
    assert "night" in extras


def test_what_is_not_for_an_image_is_not_sent_to_it() -> None:
    left = (ROOT / ".dockerignore").read_text("utf-8").split()
    assert {".git", ".venv", "build"} <= set(left)
    assert not {Path(source).parts[0] for rest in of("COPY") for source in shlex.split(rest)[:-1]} & set(left)
