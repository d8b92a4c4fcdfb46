"""An installed Herdbook is one name with everything it needs, whatever lies in the folder it is called from.

Nothing is downloaded: wheel and sdist are built by the setuptools that is here, and the fresh venv reads its
dependencies from the one that runs the tests.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tarfile
import zipfile
from importlib.metadata import version
from pathlib import Path

import pytest

import tests.toy.logs as toy
from tests.toy.bench import DATA

ROOT = Path(__file__).parents[1]
OURS = ("decoders", "pipeline", "flows")
NOT_INSTALLED = ("demo_logs", "dbc_demo", "tests")
SERVICE_NEWS = 10  # the toy's motor temperature jumps, and a rule says so
HOSTILE = ("pipeline", "flows", "decoders")


def run(*command: str | Path, cwd: Path, want: int = 0) -> str:
    """Standard output of a command that has to leave with the code wanted."""
    done = subprocess.run([str(c) for c in command], cwd=cwd, capture_output=True, text=True, check=False)
    assert done.returncode == want, f"{command}\n{done.stdout}\n{done.stderr}"
    return done.stdout


DEMO = {
    "demo_logs/fleet": "herdbook/demo/logs",
    "dbc_demo": "herdbook/demo/profiles",
    **{f"demo_logs/{name}": f"herdbook/demo/{name}" for name in ("stand", "acceptance", "book")},
}


def expected(source: Path) -> set[str]:
    """Where every file of the three folders, and of the demo, lies in the wheel; papers for readers of the code stay
    behind."""
    files = (p for folder in OURS for p in (ROOT / folder).rglob("*") if p.is_file() and _installed(p))
    names = (p.relative_to(ROOT).as_posix() for p in files if "__pycache__" not in p.parts)
    demo = {f"{to}/{p.name}" for folder, to in DEMO.items() for p in (source / folder).iterdir() if p.is_file()}
    return demo | {"herdbook/" + n.removeprefix("pipeline/api/") for n in names}


def _installed(path: Path) -> bool:
    return path.suffix != ".md" or path.parent.name == "manual"


def content(wheel: Path) -> dict[str, bytes]:
    """What a wheel brings by name, without its own record."""
    with zipfile.ZipFile(wheel) as archive:
        return {n: archive.read(n) for n in archive.namelist() if not n.endswith("RECORD")}


@pytest.fixture(scope="module")
def source(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A copy of the tree as a clone has it: a build leaves folders behind."""
    have = version("setuptools")
    assert int(have.split(".")[0]) >= 77, f"setuptools {have} cannot build Herdbook; `make test` brings a newer one"
    copy = tmp_path_factory.mktemp("source") / "herdbook"
    for name in OURS:
        shutil.copytree(ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__"))
    for name in NOT_INSTALLED:
        shutil.copytree(ROOT / name, copy / name, ignore=all_but_code)
    for name in ("pyproject.toml", "setup.py", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, copy)
    return copy


def all_but_code(folder: str, names: list[str]) -> list[str]:
    """What of a folder that is not code need not be there for the test: most of the demo's logs weigh megabytes."""
    kept = [n for n in names if n.endswith(".py") or Path(folder, n).is_dir() or _small(Path(folder, n))]
    return [n for n in names if n == "__pycache__" or n not in kept]


def _small(path: Path) -> bool:
    return path.parent.relative_to(ROOT).as_posix() in DEMO and path.stat().st_size < 100_000


@pytest.fixture(scope="module")
def wheel(source: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return pip_wheel(source, tmp_path_factory.mktemp("wheel"))


def pip_wheel(source: Path, out: Path) -> Path:
    quiet = ("--quiet", "--disable-pip-version-check", "--no-deps", "--no-index", "--no-build-isolation")
    run(sys.executable, "-m", "pip", "wheel", *quiet, "--wheel-dir", out, source, cwd=out)
    return next(out.glob("herdbook-*.whl"))


@pytest.fixture(scope="module")
def fresh(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of the commands of a venv in which the wheel is installed; what it depends on is read from ours. A
    plain path in a .pth file does not run the .pth files of that folder, so the tree itself stays out of reach."""
    venv = tmp_path_factory.mktemp("fresh") / "venv"
    run(sys.executable, "-m", "venv", "--without-pip", venv, cwd=venv.parent)
    commands = venv / "bin"
    pip = (sys.executable, "-m", "pip", "--python", commands / "python", "--disable-pip-version-check")
    run(*pip, "install", "--quiet", "--no-deps", "--no-index", wheel, cwd=venv.parent)
    ask = "import sysconfig; print(sysconfig.get_path('purelib'))"
    packages = Path(run(commands / "python", "-c", ask, cwd=venv).strip())
    here = [p for p in sys.path if Path(p).name in ("site-packages", "dist-packages")]
    (packages / "dependencies.pth").write_text("\n".join(here) + "\n", "utf-8")
    return commands


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A user's folder with files of our folders' names that leave a mark when they are run."""
    for name in HOSTILE:
        mark = tmp_path / f"{name}.ran"
        (tmp_path / f"{name}.py").write_text(f"open({str(mark)!r}, 'w').close()\nraise SystemExit(99)\n", "utf-8")
    shutil.copytree(DATA, tmp_path / "profiles")
    toy.write(tmp_path / "inbox" / "a.log", toy.day())
    toy.write(tmp_path / "inbox" / "b.log", toy.day(serial=8))
    return tmp_path


def marks(folder: Path) -> list[str]:
    return [p.name for p in folder.glob("*.ran")]


def test_the_wheel_is_one_name_with_every_file(source: Path, wheel: Path) -> None:
    names = set(content(wheel))
    roots = {n.split("/")[0] for n in names}
    assert {r for r in roots if not r.endswith(".dist-info")} == {"herdbook"}
    assert {n for n in names if n.startswith("herdbook/")} == expected(source)
    assert {"herdbook/__init__.py", "herdbook/py.typed"} <= names


def test_the_sdist_builds_the_same_wheel(source: Path, wheel: Path, tmp_path: Path) -> None:
    build = f"from setuptools import build_meta; build_meta.build_sdist({str(tmp_path)!r})"
    run(sys.executable, "-c", build, cwd=source)
    with tarfile.open(next(tmp_path.glob("herdbook-*.tar.gz"))) as archive:
        archive.extractall(tmp_path / "unpacked", filter="data")
    (unpacked,) = (tmp_path / "unpacked").iterdir()
    assert content(pip_wheel(unpacked, tmp_path)) == content(wheel)


def test_the_marks_tell_when_a_file_of_the_folder_is_run(fresh: Path, folder: Path) -> None:
    done = subprocess.run([fresh / "python", "-c", "import pipeline"], cwd=folder, check=False)
    assert done.returncode == 99
    assert marks(folder) == ["pipeline.ran"]


def test_the_command_and_its_workers_run_nothing_of_the_folder(fresh: Path, folder: Path) -> None:
    herdbook = fresh / "herdbook"
    assert "dossier" in run(herdbook, "--help", cwd=folder)
    assert "Limits" in run(herdbook, "rules", "regen_dropout", cwd=folder)
    run(herdbook, "take", "inbox/a.log", "--store", "taken", "--profiles", "profiles", cwd=folder)
    scan = ("scan", "inbox", "--store", "scanned", "--profiles", "profiles", "--jobs", "2", "--json")
    assert json.loads(run(herdbook, *scan, cwd=folder, want=SERVICE_NEWS))["logs_new"] == 2
    run(herdbook, "dossier", "TOY-007", "--store", "scanned", cwd=folder)
    run(herdbook, "history", "TOY-007", "--store", "scanned", cwd=folder)
    run(herdbook, "fleet", "--store", "scanned", "--pages", "site", cwd=folder)
    assert marks(folder) == []


def test_the_demo_comes_with_the_package(fresh: Path, tmp_path: Path) -> None:
    said = run(fresh / "herdbook", "demo", "try", cwd=tmp_path)
    assert "herdbook scan" in said
    assert {p.name for p in (tmp_path / "try" / "profiles").iterdir()} >= {"zirbel.toml", "zirbel.dbc"}
    assert any((tmp_path / "try" / "logs").iterdir())
    assert (tmp_path / "try" / "book" / "book.csv").is_file()
    sheet = ("--plan", "try/profiles/zirbel.stand.plan.toml", "--profile", "try/profiles/zirbel.toml")
    read = ("--readings", "try/acceptance/ZB-0101_readings.toml")
    assert "PASSED" in run(fresh / "herdbook", "accept", "try/acceptance", *sheet, *read, cwd=tmp_path)
    for kind, name in (("coast-down", "tyre_a"), ("drive", "drive_14"), ("pack", "pack")):
        run(fresh / "herdbook", "stand", kind, f"try/stand/{name}.toml", "--out", "pages", cwd=tmp_path)
    assert "empty folder" in run_failing(fresh / "herdbook", "demo", "try", cwd=tmp_path)


def run_failing(*command: str | Path, cwd: Path) -> str:
    done = subprocess.run([str(c) for c in command], cwd=cwd, capture_output=True, text=True, check=False)
    assert done.returncode == 2, done
    return done.stderr


def test_importing_runs_nothing_of_the_folder(fresh: Path, folder: Path) -> None:
    """Every module of ours, from the folder itself, which python -c looks into first."""
    script = (
        "import herdbook, pkgutil; from importlib import import_module\n"
        "for m in pkgutil.walk_packages(herdbook.__path__, 'herdbook.'): import_module(m.name)\n"
        "print(herdbook.__version__, herdbook.__file__)"
    )
    said = run(fresh / "python", "-c", script, cwd=folder)
    assert str(fresh.parent) in said
    assert version("herdbook") in said
    assert marks(folder) == []


@pytest.mark.slow
@pytest.mark.server
def test_a_night_runs_nothing_of_the_folder(fresh: Path, folder: Path) -> None:
    """Its server, its flow and its workers are processes of their own."""
    night = ("night", "inbox", "--store", "store", "--profiles", "profiles")
    run(fresh / "herdbook", *night, cwd=folder, want=SERVICE_NEWS)
    assert marks(folder) == []
