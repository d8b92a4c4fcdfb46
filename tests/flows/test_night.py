"""A whole night under a real Prefect server: the same results as without, and what an operator sees there."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import threading
import urllib.request
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest

from herdbook.flows.night_settings import read_night_settings
from herdbook.flows.request import Request
from herdbook.flows.server.server import Server, environment
from herdbook.flows.supervise import run_once
from herdbook.pipeline.settings import FILE
from herdbook.pipeline.store.store import Store
from tests.flows.conftest import Place
from tests.flows.same import assert_same

pytestmark = pytest.mark.server


def ask(server: Server, path: str, **body: object) -> Any:
    request = urllib.request.Request(
        f"{server.url}/{path}", json.dumps(body).encode(), {"Content-Type": "application/json"}
    )
    with urllib.request.urlopen(request, timeout=120) as reply:
        return json.load(reply)


def test_a_night_under_prefect_equals_one_without_and_shows_itself(
    fresh: Place, plain: Path, server: Server, capfd: pytest.CaptureFixture[str]
) -> None:
    seen: list[tuple[int, int, str]] = []
    ended = run_once(fresh.asked(server=server.url), lambda *step: seen.append(step))
    assert ended.note == ""
    assert_same(fresh.folder, plain)
    assert (9, 9, "taking logs in") in seen
    assert (3, 3, "assessing vehicles") in seen
    assert capfd.readouterr() == ("", "")

    runs = ask(server, "flow_runs/filter", flow_runs={"state": {"type": {"any_": ["COMPLETED"]}}})
    run = next(r for r in runs if r["parameters"].get("store") == str(fresh.folder))
    assert run["name"].startswith("night of 20")
    assert run["state"]["message"] == ended.result["headline"]
    names = {t["name"] for t in ask(server, "task_runs/filter", flow_runs={"id": {"any_": [run["id"]]}})}
    assert {"assess ZB-0001", "assess ZB-0002", "assess ZB-0003", "publish"} <= names
    assert any(n.startswith("take 2 logs from ZB-0001/") for n in names)
    shown = {a["key"]: a for a in ask(server, "artifacts/filter", flow_runs={"id": {"any_": [run["id"]]}})}
    assert set(shown) == {"what-is-new", "night"}
    assert len(json.loads(shown["what-is-new"]["data"])) == len(ended.result["rows"])

    again = run_once(fresh.asked())
    assert again.exit_code == 0
    assert again.result["changes"] == []
    assert_same(fresh.folder, plain)


def test_two_scans_at_once_one_is_told_to_wait(fresh: Place, server: Server) -> None:
    from herdbook.pipeline.errors import BusyError

    with Store.open(fresh.folder).lock("another scan"), pytest.raises(BusyError, match="another scan"):
        run_once(fresh.asked(server=server.url))


@pytest.mark.slow
def test_a_served_night_that_fails_for_good_sends_a_message(fresh: Place, server: Server) -> None:
    """The lake's folder is taken away; nobody sees the exit code of a served night."""
    got: list[bytes] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append(self.rfile.read(int(self.headers["Content-Length"])))
            self.send_response(204)
            self.end_headers()

    with HTTPServer(("127.0.0.1", 0), Handler) as hook:
        thread = threading.Thread(target=hook.serve_forever, args=(0.01,))
        thread.start()
        fresh.asked(notify=[f"http://127.0.0.1:{hook.server_address[1]}/x"], inbox=fresh.request.inbox)
        (fresh.folder / "lake").rename(fresh.folder / "elsewhere")
        code = "import sys; from herdbook.flows.night.flow import night; night.with_options(retries=0)(sys.argv[1])"
        run = subprocess.run(
            [sys.executable, "-c", code, str(fresh.folder)],
            capture_output=True,
            text=True,
            env=environment(fresh.folder / "night", server.url),
        )
        hook.shutdown()
        thread.join()
    assert run.returncode == 1
    (message,) = got
    assert "lake" in json.loads(message)["text"]


@pytest.mark.slow
def test_without_any_server_the_night_is_finished_all_the_same(fresh: Place, plain: Path) -> None:
    """Somebody else's server that is not there: nobody listens on the discard port."""
    ended = run_once(fresh.asked(server="http://127.0.0.1:9/api"))
    assert "finished without Prefect" in ended.note
    assert_same(fresh.folder, plain)


@pytest.mark.slow
def test_a_backfill_under_prefect_changes_nothing_that_is_right(plain: Path, server: Server, tmp_path: Path) -> None:
    copy = Path(shutil.copytree(plain, tmp_path / "store"))
    (copy / FILE).write_text((copy / FILE).read_text() + f'server = "{server.url}"\n')
    ended = run_once(
        Request("backfill", "", str(copy), read_night_settings(copy), since="2026-03-02", until="2026-03-02")
    )
    assert ended.note == ""
    assert ended.result["numbers"]["vehicles"] == 3
    assert ended.result["changes"] == []
    assert_same(copy, plain)
    runs = ask(server, "flow_runs/filter", flow_runs={"name": {"like_": "backfill from 2026-03-02"}})
    assert [r["state"]["type"] for r in runs] == ["COMPLETED"]
