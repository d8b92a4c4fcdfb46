"""The bill of materials is whole and the same twice; the audit finds what a file says and never calls silence clean."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from tests.audit import FOUND, UNCHECKED, concerns, from_file, from_service
from tests.bill import ROOT, UNKNOWN, main, pinned


def test_every_pinned_package_is_on_the_bill_with_its_licence(tmp_path: Path) -> None:
    said = main(tmp_path / "a")
    main(tmp_path / "b")
    assert (tmp_path / "a" / "sbom.json").read_bytes() == (tmp_path / "b" / "sbom.json").read_bytes()
    bill = json.loads((tmp_path / "a" / "sbom.json").read_text("utf-8"))
    assert (bill["bomFormat"], bill["specVersion"]) == ("CycloneDX", "1.6")
    scopes = {c["name"]: c["scope"] for c in bill["components"]}
    assert set(scopes) == set(pinned((ROOT / "constraints.txt").read_text("utf-8")))
    assert (scopes["duckdb"], scopes["cryptography"], scopes["prefect"], scopes["pytest"]) == (
        *("required", "required", "optional", "excluded"),
    )
    silent = [c["name"] for c in bill["components"] if c["licenses"][0]["license"]["name"] == UNKNOWN]
    assert all(name in said for name in silent)
    assert len((tmp_path / "a" / "licences.csv").read_text("utf-8").splitlines()) == len(scopes) + 1


@pytest.mark.parametrize(
    ("events", "version", "is_concerned"),
    [
        ([{"introduced": "0"}, {"fixed": "2.0"}], "1.9", True),
        ([{"introduced": "0"}, {"fixed": "2.0"}], "2.0", False),
        ([{"introduced": "1.5"}, {"last_affected": "2.0"}], "2.0", True),
        ([{"introduced": "1.5"}, {"last_affected": "2.0"}], "1.4", False),
        ([{"introduced": "3"}], "10.1", True),
        ([{"introduced": "0"}, {"fixed": "1"}, {"introduced": "2"}, {"fixed": "3"}], "2.5", True),
        ([{"introduced": "0"}, {"fixed": "1"}, {"introduced": "2"}, {"fixed": "3"}], "1.5", False),
    ],
)
def test_ranges_are_read_as_osv_has_them(events: list[dict[str, str]], version: str, is_concerned: bool) -> None:
    assert concerns({"ranges": [{"type": "ECOSYSTEM", "events": events}]}, version) == is_concerned


def test_an_audit_from_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One advisory about a pinned version, one about a version that we do not have."""
    pins = pinned((ROOT / "constraints.txt").read_text("utf-8"))
    package = {"ecosystem": "PyPI", "name": "DuckDB"}
    hits = {"id": "OSV-1", "summary": "made up", "affected": [{"package": package, "versions": [pins["duckdb"]]}]}
    past = {"id": "OSV-2", "affected": [{"package": package, "versions": ["0.0.1"]}]}
    (tmp_path / "one.json").write_text(json.dumps(hits))
    (tmp_path / "two.json").write_text(json.dumps([past]))
    assert from_file(tmp_path / "two.json") == 0
    assert from_file(tmp_path) == FOUND
    assert f"duckdb {pins['duckdb']}: OSV-1 made up" in capsys.readouterr().out
    (tmp_path / "bad.json").write_text("{}")
    assert from_file(tmp_path / "bad.json") == from_file(tmp_path / "none.json") == UNCHECKED
    assert "Nothing was checked" in capsys.readouterr().err


def test_a_service_that_is_not_there_is_no_clean_bill(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    tool = tmp_path / "tool"
    tool.write_text(f"#!{sys.executable}\nimport sys\nsys.exit('ConnectionError: no route')\n")
    tool.chmod(0o755)
    assert from_service(str(tool)) == from_service(str(tmp_path / "missing")) == UNCHECKED
    said = capsys.readouterr().err
    assert "could not be reached" in said
    assert said.count("Nothing was checked") == 2
