"""Known vulnerabilities in the pinned packages (make audit), from the usual service or from a file of advisories.

    python -m tests.audit TOOL                       TOOL: pip-audit, which asks its service
    python -m tests.audit --advisories FILE          FILE: advisories in the OSV form (an open standard): one, a list of
                                                     them, or a folder of such files; nothing is asked of anybody

Exit codes: 0 none known; 1 some; 3 nothing was checked, and why: that is no clean bill.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from packaging.utils import canonicalize_name
from packaging.version import InvalidVersion, Version

from tests.bill import ROOT, pinned

FOUND, UNCHECKED = 1, 3
DO = "Nothing was checked. With a file of advisories it needs no service: make audit ADVISORIES=FILE"


def read(place: Path) -> list[dict[str, Any]]:
    """Advisories of a file or folder. Raises: OSError, ValueError when something there is none."""
    files = sorted(place.glob("*.json")) if place.is_dir() else [place]
    found: list[dict[str, Any]] = []
    for file in files:
        told = json.loads(file.read_text("utf-8"))
        found += told if isinstance(told, list) else [told]
    if not found or not all(isinstance(a, dict) and "id" in a and isinstance(a.get("affected"), list) for a in found):
        raise ValueError(f"{place} holds no advisories in the OSV form")
    return found


def known(advisories: Sequence[dict[str, Any]], pins: dict[str, str]) -> list[str]:
    """One line for each advisory that concerns a pinned version."""
    versions = {canonicalize_name(name): version for name, version in pins.items()}
    lines = set()
    for advisory in advisories:
        for affected in advisory["affected"]:
            package = affected.get("package", {})
            name = canonicalize_name(str(package.get("name", "")))
            if package.get("ecosystem") == "PyPI" and name in versions and concerns(affected, versions[name]):
                summary = str(advisory.get("summary", "")).strip()
                lines.add(f"{name} {versions[name]}: {advisory['id']} {summary}".rstrip())
    return sorted(lines)


def concerns(affected: dict[str, Any], version: str) -> bool:
    """OSV: a version that is listed, or that lies in a range [introduced, fixed) or [introduced, last_affected]."""
    if version in affected.get("versions", []):
        return True
    return any(
        start <= Version(version) and (end is None or Version(version) < end or (whole and Version(version) == end))
        for of in affected.get("ranges", [])
        if of.get("type") == "ECOSYSTEM"
        for start, end, whole in _spans(of.get("events", []))
    )


def _spans(events: Sequence[dict[str, str]]) -> Iterator[tuple[Version, Version | None, bool]]:
    """Start, end, and whether the end itself is in it. An event that is no version counts as from the beginning."""
    start: Version | None = None
    for event in events:
        if "introduced" in event:
            start = _version(event["introduced"])
        elif start is not None and ("fixed" in event or "last_affected" in event):
            yield start, _version(event.get("fixed") or event["last_affected"]), "fixed" not in event
            start = None
    if start is not None:
        yield start, None, False


def _version(text: str) -> Version:
    try:
        return Version(text)
    except InvalidVersion:
        return Version("0")


def from_file(place: Path) -> int:
    try:
        advisories = read(place)
    except (OSError, ValueError) as error:
        print(f"{error}. {DO}", file=sys.stderr)
        return UNCHECKED
    pins = pinned((ROOT / "constraints.txt").read_text("utf-8"))
    lines = known(advisories, pins)
    print(
        "\n".join([*lines, f"{len(pins)} packages held against {len(advisories)} advisories: {len(lines)} concern us."])
    )
    return FOUND if lines else 0


def from_service(tool: str) -> int:
    """pip-audit gives 1 for findings and for failures alike; only with findings does it print JSON."""
    command = [tool, "-r", str(ROOT / "constraints.txt"), "--no-deps", "--disable-pip", "-f", "json"]
    try:
        done = subprocess.run(command, capture_output=True, text=True, timeout=600, check=False)
        told = json.loads(done.stdout)["dependencies"]
    except (OSError, subprocess.TimeoutExpired) as error:
        print(f"The audit tool could not be run ({error}). {DO}", file=sys.stderr)
        return UNCHECKED
    except (ValueError, KeyError, TypeError):
        last = (done.stderr.strip().splitlines() or ["no reason given"])[-1]
        print(f"The service of advisories could not be reached, or did not answer ({last}). {DO}", file=sys.stderr)
        return UNCHECKED
    lines = [f"{d['name']} {d.get('version', '')}: {v['id']}" for d in told for v in d.get("vulns", [])]
    print("\n".join([*lines, f"{len(told)} packages looked up: {len(lines)} advisories concern us."]))
    return FOUND if lines else 0


if __name__ == "__main__":
    local = sys.argv[1:2] == ["--advisories"]
    sys.exit(from_file(Path(sys.argv[2])) if local else from_service(sys.argv[1]))
