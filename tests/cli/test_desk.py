"""herdbook desk from a shell: it says where it listens, answers, and ends cleanly with pages and questions open."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
from contextlib import suppress
from pathlib import Path

import httpx
import pytest

from herdbook.pipeline.store.store import Store
from tests.reports.conftest import fill
from tests.reports.made_up import Catalogue


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Store:
    book = Catalogue(tmp_path_factory.mktemp("desk"))
    fill(book)
    made = book.close()
    (made.folder / "lake").mkdir(exist_ok=True)
    (made.folder / "lake" / ".herdbook-lake").touch()
    return made


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_it_says_where_it_listens_and_ends_cleanly(store: Store, how: signal.Signals) -> None:
    command = [sys.executable, "-m", "herdbook.flows.cli", "desk", str(store.folder), "--no-browser", "--port", "0"]
    wide = os.environ | {"COLUMNS": "300"}
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=wide) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        first, second = process.stdout.readline(), process.stdout.readline()
        address = re.search(r"http://127\.0\.0\.1:\d+/\?token=\S+", first)
        assert address, first
        assert "nobody else can reach it" in second
        with httpx.Client(follow_redirects=True, timeout=60) as browser:
            page = browser.get(address[0])
            assert "VX-014" in page.text
            rest = threading.Thread(target=_ask_long, args=(browser, str(page.url)))
            rest.start()  # a question is open, and a connection beside it
            process.send_signal(how)
            out, wrong = process.stdout.read(), process.stderr.read()
            rest.join(120)
            process.wait(120)
        assert process.returncode == 0
        assert out == "The desk is closed.\n"
        assert wrong == ""


def _ask_long(browser: httpx.Client, root: str) -> None:
    sql = "SELECT sum(a.range % 7) FROM range(1000000000000) a"
    with suppress(httpx.HTTPError):  # it is closed meanwhile
        browser.get(root.replace("/fleet", "/ask/rows"), params={"sql": sql})


def test_a_port_that_is_taken_is_told(store: Store) -> None:
    import socket

    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        command = [
            sys.executable,
            "-m",
            "herdbook.flows.cli",
            "desk",
            str(store.folder),
            "--no-browser",
            "--port",
            port,
        ]
        done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 2
    assert "cannot listen" in " ".join(done.stderr.split())
    assert "Traceback" not in done.stderr


def test_a_password_that_is_too_short_is_refused(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HERDBOOK_DESK_PASSWORD", "short")
    command = [sys.executable, "-m", "herdbook.flows.cli", "desk", str(store.folder), "--share", "--no-browser"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 2
    assert "too short" in " ".join(done.stderr.split())


def test_no_store_is_told(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "herdbook.flows.cli", "desk", str(tmp_path / "nothing"), "--no-browser"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, check=False)
    assert done.returncode == 5
    assert "there is no store" in " ".join(done.stderr.split())


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (["--prepare", "--port", "0", "--share"], "it listens nowhere. Leave --share and --port out"),
        (["--prepare", "--no-browser"], "Leave --no-browser out"),
        (["--host", "192.0.2.1"], "without --share the desk shares nothing. Add --share"),
    ],
)
def test_what_would_be_passed_over_is_refused(store: Store, given: list[str], words: str) -> None:
    command = [sys.executable, "-m", "herdbook.flows.cli", "desk", str(store.folder), *given]
    done = subprocess.run(
        command, capture_output=True, text=True, env=os.environ | {"COLUMNS": "300"}, timeout=120, check=False
    )
    assert done.returncode == 2
    assert words in done.stderr
    assert not (store.folder / "desk" / "levels").exists()
