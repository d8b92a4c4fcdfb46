"""Small logs go to a worker together; a log that takes its worker down goes to quarantine alone all the same."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, cast

import pytest

from herdbook.pipeline.errors import StoreError
from herdbook.pipeline.intake.outcome import KnownLog, LogFile, QuarantinedLog
from herdbook.pipeline.night import in_workers
from herdbook.pipeline.night.bundles import BUNDLE_BYTES, BUNDLE_LOGS, bundles
from herdbook.pipeline.night.in_workers import InWorkers
from herdbook.pipeline.night.workers import Done, WorkerLost, Workers
from tests.toy.bench import Bench


def logs(folder: Path, number: int, size: int) -> list[Path]:
    folder.mkdir(exist_ok=True)
    paths = [folder / f"{i:03d}.log" for i in range(number)]
    for path in paths:
        path.write_bytes(b"x" * size)
    return paths


def test_every_log_is_in_one_bundle_in_order_and_none_is_too_large(tmp_path: Path) -> None:
    paths = logs(tmp_path, 600, 200_000)
    lots = list(bundles([*paths, tmp_path / "gone.log"], 2))
    assert [p for lot in lots for p in lot] == [*paths, tmp_path / "gone.log"]
    assert max(len(lot) for lot in lots) == min(BUNDLE_LOGS, BUNDLE_BYTES // 200_000)
    assert len(lots[-1]) == 1  # towards the end they are small, so that no worker waits for another
    assert len(lots) < 100


def test_large_logs_and_few_logs_go_one_by_one(tmp_path: Path) -> None:
    large = logs(tmp_path, 40, BUNDLE_BYTES // 2 + 1)
    assert list(bundles(large, 1)) == [(p,) for p in large]
    assert list(bundles(large[:8], 16)) == [(p,) for p in large[:8]]


@pytest.mark.parametrize(
    ("sizes", "most_mb", "expected"),
    [
        ([100_000] * 10, 0.25, [2, 2, 2, 2, 2]),  # by size
        ([100_000] * 10, 0.0, [1] * 10),  # a task a log
        ([100_000] * 10, 16.0, [10]),  # under the least worth sharing
        ([500_000] * 16, 16.0, [2] * 8),  # shared as far as that allows
        ([5_000_000, 10, 10], 1.0, [1, 2]),  # a large log goes alone
        ([], 16.0, []),
    ],
)
def test_bundles_that_become_tasks(tmp_path: Path, sizes: list[int], most_mb: float, expected: list[int]) -> None:
    paths = [path for i, size in enumerate(sizes) for path in logs(tmp_path / f"{i:02d}", 1, size)]
    made = list(bundles(paths, 2, 1e6 * most_mb, 200, 1e6))
    assert [p for bundle in made for p in bundle] == paths
    assert [len(b) for b in made] == expected


class Lossy:
    """Workers that lose every bundle; taken alone, only a log called 007 is lost."""

    def __init__(self, error: BaseException) -> None:
        self.error = error

    def each(self, _function: object, items: Iterable[Any], _ahead: int) -> Iterator[Done[Any, Any]]:
        return (Done(item, error=self.error) for item in items)

    def call(self, _function: object, _store: object, _now: object, paths: tuple[Path, ...]) -> list[KnownLog]:
        [path] = paths
        if path.stem == "007":
            raise WorkerLost("too large", "needed 900 MB, 400 MB are allowed")
        return [KnownLog(LogFile(str(path), path.name))]


def test_a_lost_bundle_is_taken_again_log_by_log(bench: Bench, tmp_path: Path) -> None:
    runner = InWorkers(bench.store, 0)
    runner.workers = cast(Workers, Lossy(WorkerLost("crashed", "its process was ended by SIGSEGV")))
    paths = logs(tmp_path, 40, 10)
    came = {Path(o.file.path): o for o in runner.take(paths)}
    assert sorted(came) == paths
    refused = [o for o in came.values() if isinstance(o, QuarantinedLog)]
    lost_alone = paths[len(paths) - 7 :]  # bundles of one log are not tried twice here: Workers.call() does that
    assert {o.file.name for o in refused} == {"007.log", *(p.name for p in lost_alone)}
    assert next(o for o in refused if o.file.name == "007.log").reason == "its reader too large"


def test_without_workers_too_only_the_log_that_takes_all_memory_is_refused(
    bench: Bench, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def take_log(path: Path, _store: object, now: int | None) -> KnownLog:
        if path.stem == "007":
            raise MemoryError
        return KnownLog(LogFile(str(path), path.name))

    monkeypatch.setattr(in_workers, "take_log", take_log)
    paths = logs(tmp_path, 40, 10)
    came = list(InWorkers(bench.store, 0).take(paths))
    assert sorted(Path(o.file.path) for o in came) == paths
    assert [o.file.name for o in came if isinstance(o, QuarantinedLog)] == ["007.log"]


def test_what_stops_a_scan_is_no_logs_fault(bench: Bench, tmp_path: Path) -> None:
    runner = InWorkers(bench.store, 0)
    runner.workers = cast(Workers, Lossy(StoreError("the lake is gone")))
    with pytest.raises(StoreError, match="the lake is gone"):
        list(runner.take(logs(tmp_path, 40, 10)))
