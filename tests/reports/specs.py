"""Figures of a page as they travel: a specification a figure, packed."""

from __future__ import annotations

import base64
import gzip
import json
import re
from pathlib import Path
from typing import Any


def specs(path: Path) -> dict[str, dict[str, Any]]:
    """Every figure's specification, by its id."""
    text = path.read_text("utf-8")
    found = re.findall(r'<script type="text/plain" id="([\w-]+)-spec">(.*?)</script>', text)
    return {name: json.loads(gzip.decompress(base64.b64decode(packed))) for name, packed in found}


def page_and_figures(path: Path) -> str:
    """All that a page holds, what is packed in it too."""
    return path.read_text("utf-8") + json.dumps(specs(path), ensure_ascii=False)
