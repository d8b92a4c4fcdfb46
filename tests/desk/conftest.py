"""A desk over a small made-up fleet, served as it is to a browser."""

from __future__ import annotations

import shutil
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest

from herdbook.pipeline.desk.serve import DeskServer, Listening, Sharing, listen
from herdbook.pipeline.store.store import Store
from tests.reports.conftest import fill
from tests.reports.made_up import Catalogue


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


@pytest.fixture(scope="module")
def client(listening: Listening) -> Iterator[httpx.Client]:
    """A browser that came by the address of the terminal."""
    with stranger(listening, follow=True) as browser:
        browser.get(listening.address)
        yield browser
