"""`import herdbook` from a plain checkout, where nothing is installed: importing this module is enough.

The folders are mapped as setup.py maps them, by links in a temporary folder that processes of ours find as well, by
PYTHONPATH. An installed herdbook, whichever tree it belongs to, is left alone.
"""

from __future__ import annotations

import atexit
import importlib.util
import os
import shutil
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FOLDERS = ("decoders", "pipeline", "flows")


def linked() -> Path:
    """A folder to import from; removed when this process ends."""
    site = Path(tempfile.mkdtemp(prefix="herdbook-checkout-"))
    atexit.register(shutil.rmtree, site, ignore_errors=True)
    package = site / "herdbook"
    package.mkdir()
    for file in (ROOT / "pipeline" / "api").iterdir():
        if file.name != "__pycache__":
            (package / file.name).symlink_to(file)
    for folder in FOLDERS:
        (package / folder).symlink_to(ROOT / folder)
    return site


if str(ROOT) not in sys.path:
    sys.path.insert(0, str(ROOT))
if importlib.util.find_spec("herdbook") is None:
    _site = str(linked())
    sys.path.insert(0, _site)
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, (_site, os.environ.get("PYTHONPATH"))))
