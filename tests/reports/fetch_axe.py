"""Fetch axe-core, the accessibility checker of the browser tests, from the npm registry into build/; hash-checked.

    python tests/reports/fetch_axe.py [folder]      default build/axe; what is there already is not fetched again

It is used by tests only and never committed. Tests that need it skip with a plain message while it is absent.
"""

from __future__ import annotations

import base64
import hashlib
import shutil
import subprocess
import sys
import tarfile
from pathlib import Path

VERSION = "4.14.1"
# the registry's own integrity string of that version's archive
SHA512 = "FHfa+lmNjQZfJz1q8wKqIDwC6DExcHt/pkjNQb09a3NPjCKg2rhu5qb2S4r76ASyFNNtuFooJpZe37OgudVGtQ=="
FOLDER = Path(__file__).resolve().parents[2] / "build" / "axe"
SCRIPT = FOLDER / f"axe-{VERSION}.min.js"


def fetch(folder: Path = FOLDER) -> Path:
    """The script's path. Raises: SystemExit saying what to do."""
    script = folder / SCRIPT.name
    if script.exists():
        return script
    npm = shutil.which("npm")
    if npm is None:
        raise SystemExit("npm is missing; the accessibility check is left out. Install it, then run this again.")
    folder.mkdir(parents=True, exist_ok=True)
    command = [npm, "pack", f"axe-core@{VERSION}", "--silent", "--ignore-scripts", "--pack-destination", str(folder)]
    if subprocess.run(command, check=False, cwd=folder).returncode:
        raise SystemExit(f"axe-core {VERSION} could not be downloaded. Is the npm registry in reach?")
    archive = folder / f"axe-core-{VERSION}.tgz"
    found = base64.b64encode(hashlib.sha512(archive.read_bytes()).digest()).decode()
    if found != SHA512:
        archive.unlink()
        raise SystemExit(f"axe-core {VERSION} has another hash than expected ({found[:16]}...); it was deleted.")
    with tarfile.open(archive) as tar:
        member = tar.extractfile("package/axe.min.js")
        assert member is not None, "the archive holds no axe.min.js"
        script.write_bytes(member.read())
    archive.unlink()
    return script


if __name__ == "__main__":
    print(fetch(Path(sys.argv[1]) if len(sys.argv) > 1 else FOLDER))
