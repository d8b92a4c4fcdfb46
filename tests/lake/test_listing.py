"""One record of a far file, whatever its library calls things."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from herdbook.pipeline.lake.listing import files_below

T = datetime(2026, 3, 1, 8, tzinfo=UTC)
US = 1_772_352_000_000_000


class Files:
    def __init__(self, about: dict[str, dict[str, Any]]) -> None:
        self.about = about

    def find(self, root: str, detail: bool) -> dict[str, dict[str, Any]]:
        assert (root, detail) == ("box", True)
        return self.about


@pytest.mark.parametrize(
    ("about", "changed"),
    [
        ({"LastModified": T, "ETag": "x"}, US),
        ({"mtime": T.timestamp()}, US),
        ({"created": T}, US),
        ({"LastModified": None, "mtime": T}, US),
        ({}, None),
        ({"mtime": "yesterday"}, None),
    ],
)
def test_when_it_changed(about: dict[str, Any], changed: int | None) -> None:
    (file,) = files_below(Files({"box/a": {"type": "file", "size": 3, **about}}), "box")
    assert (file.name, file.size, file.changed) == ("box/a", 3, changed)


@pytest.mark.parametrize("key", ["ETag", "etag", "LastModified", "mtime", "created", "size"])
def test_the_stamp_changes_with_each_of_these(key: str) -> None:
    about = {"type": "file", "ETag": "x", "etag": "y", "LastModified": T, "mtime": 1.0, "created": T, "size": 3}
    stamps = {files_below(Files({"box/a": about | {key: value}}), "box")[0].stamp for value in (1, 2)}
    assert len(stamps) == 2
    (plain,) = files_below(Files({"box/a": about | {"StorageClass": "cold"}}), "box")
    assert plain.stamp == files_below(Files({"box/a": about}), "box")[0].stamp


def test_files_alone_by_name() -> None:
    listed: dict[str, dict[str, Any]] = {
        "box/b": {"type": "file"},
        "box/d": {"type": "directory"},
        "box/a": {"type": "file", "size": None},
    }
    assert [(f.name, f.size) for f in files_below(Files(listed), "box")] == [("box/a", 0), ("box/b", 0)]
