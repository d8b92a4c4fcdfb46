"""A desk over a small made-up fleet, served as it is to a browser."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import httpx
import pytest

from herdbook.pipeline.desk.serve import DeskServer, Listening, Sharing, listen
from herdbook.pipeline.night.scan import run_scan
from herdbook.pipeline.store.store import Store
from tests.reports.conftest import fill
from tests.reports.made_up import Catalogue

if TYPE_CHECKING:
    from playwright.sync_api import Browser

FLEET = Path(__file__).parents[2] / "demo_logs" / "fleet"
PROFILES = Path(__file__).parents[2] / "dbc_demo"


@pytest.fixture(scope="session")
def made_up_once(tmp_path_factory: pytest.TempPathFactory) -> Store:
    book = Catalogue(tmp_path_factory.mktemp("desk"))
    fill(book)
    return book.close()


@pytest.fixture
def own_store(made_up_once: Store, tmp_path: Path) -> Store:
    """A copy for a test that changes it."""
    folder = tmp_path / "store"
    shutil.copytree(made_up_once.folder, folder)
    return Store(folder, made_up_once.settings)


@pytest.fixture(scope="session")
def scanned_once(tmp_path_factory: pytest.TempPathFactory) -> Store:
    """Two vehicles of the demo, one with a brake that drops out, one with a brake that was limited as designed."""
    folder = tmp_path_factory.mktemp("scanned")
    inbox = folder / "inbox"
    inbox.mkdir()
    for log in (*FLEET.glob("ZB-0105*"), *FLEET.glob("ZB-0106*")):
        shutil.copy(log, inbox)
    store = Store.create(folder / "store", PROFILES)
    with (store.folder / "herdbook.toml").open("a", encoding="utf-8") as settings:
        settings.write("\n[take]\nsettle_s = 0\n")
    done = run_scan(inbox, Store.open(store.folder), jobs=0)
    assert not done.failed
    return Store.open(store.folder)


@pytest.fixture
def scanned(scanned_once: Store, tmp_path: Path) -> Store:
    """A copy for a test that changes it."""
    return copied(scanned_once, tmp_path)


def copied(store: Store, folder: Path) -> Store:
    """Without what desks prepared for themselves, which depends on the tests that ran before."""
    shutil.copytree(store.folder, folder / "store", ignore=shutil.ignore_patterns("desk"))
    return Store.open(folder / "store")


@pytest.fixture(scope="module")
def wires(scanned_once: Store) -> Iterator[httpx.Client]:
    """A browser at a desk over the two vehicles of the demo; its header carries the mark of our forms."""
    with served(scanned_once) as listening, visitor(listening) as browser:
        yield browser


@pytest.fixture(scope="module")
def at_desk(scanned_once: Store) -> Iterator[Listening]:
    """For a real browser."""
    with served(scanned_once) as listening:
        yield listening


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    from tests.reports.browser import chromium

    with chromium() as started:
        yield started


@contextmanager
def served(store: Store, port: int = 0, sharing: Sharing | None = None) -> Iterator[Listening]:
    listening = listen(store, port, sharing)
    server = DeskServer(listening)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening.socket]})
    thread.start()
    try:
        while not server.started:
            time.sleep(0.01)
        yield listening
    finally:
        server.should_exit = True
        thread.join(20)
        listening.close()


@pytest.fixture(scope="module")
def listening(made_up_once: Store) -> Iterator[Listening]:
    with served(made_up_once) as found:
        yield found


def stranger(listening: Listening, follow: bool = False) -> httpx.Client:
    return httpx.Client(base_url=listening.root, follow_redirects=follow, timeout=60)


def asked(listening: Listening, path: str) -> httpx.Response:
    """By somebody whom the desk does not know."""
    with stranger(listening) as browser:
        return browser.get(path)


@contextmanager
def visitor(listening: Listening) -> Iterator[httpx.Client]:
    """Came by the address of the terminal, and carries the mark of our forms."""
    with stranger(listening, follow=True) as browser:
        browser.get(listening.address)
        browser.headers["x-desk-mark"] = listening.desk.doors.mark
        yield browser


@pytest.fixture(scope="module")
def client(listening: Listening) -> Iterator[httpx.Client]:
    with visitor(listening) as browser:
        del browser.headers["x-desk-mark"]
        yield browser
