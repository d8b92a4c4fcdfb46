"""The bill of materials: every package that Herdbook is made of or tested with, its version and licence (make sbom).

    python -m tests.bill OUT       writes OUT/sbom.json (CycloneDX 1.6, an open standard) and OUT/licences.csv

Read from constraints.txt and from what the installed packages say of themselves: no service is asked, and the same
environment gives the same bytes. scope: `required` for the core, `optional` for an extra, `excluded` for what only
tests and development need.
"""

from __future__ import annotations

import json
import sys
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from email.message import Message
from importlib.metadata import Distribution, PackageNotFoundError, distribution
from pathlib import Path
from typing import cast

from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from herdbook.pipeline.reports.words.csv_cells import write_rows

ROOT = Path(__file__).parents[1]
EXTRAS = ("night", "mf4", "grow")
UNKNOWN = "not stated"


@dataclass(frozen=True, slots=True)
class Component:
    name: str
    version: str
    licence: str
    scope: str

    @property
    def purl(self) -> str:
        return f"pkg:pypi/{canonicalize_name(self.name)}@{self.version}"


def pinned(text: str) -> dict[str, str]:
    """Version by name, as constraints.txt has them."""
    lines = [line.strip() for line in text.splitlines()]
    parts = [line.partition("==") for line in lines if line and not line.startswith("#")]
    return {name: version for name, _, version in parts}


def licence(of: Distribution) -> str:
    """As the package says it: an SPDX expression, else its classifiers, else its own words, on one line."""
    meta = cast(Message, of.metadata)
    if said := meta.get("License-Expression"):
        return str(said)
    classed = [c.rpartition(" :: ")[2] for c in meta.get_all("Classifier") or [] if c.startswith("License :: ")]
    if classed := [c for c in classed if c != "OSI Approved"]:
        return ", ".join(sorted(classed))
    said = str(meta.get("License") or "").strip()
    return said.splitlines()[0][:80] if said else UNKNOWN


def needed(extras: Iterable[str]) -> set[str]:
    """Names of all packages that Herdbook with these extras needs, as far as they are installed."""
    own = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    lines = [*own["dependencies"], *(line for extra in extras for line in own["optional-dependencies"][extra])]
    first = [need for need in map(Requirement, lines) if need.name != "herdbook"]
    todo = [(canonicalize_name(need.name), frozenset(need.extras)) for need in first]
    seen: set[tuple[str, frozenset[str]]] = set()
    while todo:
        name, wanted = todo.pop()
        if (name, wanted) in seen:
            continue
        seen.add((name, wanted))
        try:
            told = distribution(name).requires or []
        except PackageNotFoundError:
            continue
        for need in map(Requirement, told):
            marks = [{"extra": extra} for extra in wanted] or [{"extra": ""}]
            if need.marker is None or any(need.marker.evaluate(m) for m in marks):
                todo.append((canonicalize_name(need.name), frozenset(need.extras)))
    return {str(name) for name, _ in seen}


def components() -> list[Component]:
    """Raises: LookupError naming a pinned package that is not installed: then the bill would have a gap."""
    core, grown = needed(()), needed(EXTRAS)
    made = []
    for name, version in sorted(
        pinned((ROOT / "constraints.txt").read_text("utf-8")).items(), key=lambda p: p[0].lower()
    ):
        try:
            found = distribution(name)
        except PackageNotFoundError:
            raise LookupError(f"{name} {version} is not installed: run `make test` once, then again") from None
        known = canonicalize_name(name)
        scope = "required" if known in core else "optional" if known in grown else "excluded"
        made.append(Component(name, found.version, licence(found), scope))
    return made


def as_cyclonedx(of: list[Component]) -> str:
    version = distribution("herdbook").version
    own = {"type": "application", "bom-ref": "herdbook", "name": "herdbook", "version": version}
    listed = [
        {
            "type": "library",
            "bom-ref": c.purl,
            "name": c.name,
            "version": c.version,
            "scope": c.scope,
            "purl": c.purl,
            "licenses": [{"license": {"name": c.licence}}],
        }
        for c in of
    ]
    needs = [{"ref": "herdbook", "dependsOn": sorted(c.purl for c in of if c.scope != "excluded")}]
    head = {"bomFormat": "CycloneDX", "specVersion": "1.6", "version": 1, "metadata": {"component": own}}
    return json.dumps(head | {"components": listed, "dependencies": needs}, indent=1, ensure_ascii=False) + "\n"


def main(out: Path) -> str:
    made = components()
    out.mkdir(parents=True, exist_ok=True)
    (out / "sbom.json").write_text(as_cyclonedx(made), "utf-8")
    rows = [(c.name, c.version, c.licence, c.scope) for c in made]
    write_rows(out / "licences.csv", ("package", "version", "licence", "scope"), [rows])
    silent = [c.name for c in made if c.licence == UNKNOWN]
    said = f"; {len(silent)} state no licence: {', '.join(silent)}" if silent else ""
    counts = {scope: sum(c.scope == scope for c in made) for scope in ("required", "optional", "excluded")}
    told = ", ".join(f"{n} {scope}" for scope, n in counts.items())
    return f"{len(made)} packages ({told}){said}. Written: {out / 'sbom.json'}, {out / 'licences.csv'}"


if __name__ == "__main__":
    try:
        print(main(Path(sys.argv[1])))
    except LookupError as error:
        sys.exit(str(error))
