"""The desk's server: where it listens, how it begins, and how it ends while pages are open."""

from __future__ import annotations

import logging
import signal
import socket
import threading
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass

import uvicorn

from herdbook.pipeline.desk.app import application
from herdbook.pipeline.desk.desk import Desk
from herdbook.pipeline.errors import SettingsError
from herdbook.pipeline.store.store import Store

HOST = "127.0.0.1"
PORT = 8420  # the same each time, so that an address of a view can be sent and kept
TRIED = 20  # further ports, where that one is taken
GRACE_S = 1  # for answers on their way when the desk is closed


@dataclass(frozen=True)
class Sharing:
    """host: the address to listen on, of a local network. password: its own."""

    host: str
    password: str


@dataclass
class Listening:
    """A desk with its socket. address: with the token, for the browser; of a shared one without."""

    desk: Desk
    socket: socket.socket
    host: str
    port: int

    @property
    def root(self) -> str:
        return f"http://{self.host}:{self.port}/"

    @property
    def address(self) -> str:
        door = self.desk.doors
        return self.root if door.password else f"{self.root}?token={door.token}"

    def close(self) -> None:
        self.desk.close()
        self.socket.close()


def listen(store: Store, port: int | None = None, sharing: Sharing | None = None) -> Listening:
    """port: None for PORT or, where it is taken, one of the next. Raises: SettingsError."""
    host = sharing.host if sharing else HOST
    bound = _bound(host, port)
    number = int(bound.getsockname()[1])
    names = frozenset({socket.gethostname().lower(), socket.getfqdn().lower()}) if sharing else frozenset[str]()
    desk = Desk.open(store, number, sharing.password if sharing else "", names)
    shown = _own_address() if host in ("0.0.0.0", "::") else host
    return Listening(desk, bound, f"[{shown}]" if ":" in shown else shown, number)


def _bound(host: str, port: int | None) -> socket.socket:
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    last: OSError | None = None
    for number in [port] if port is not None else range(PORT, PORT + TRIED):
        bound = socket.socket(family, socket.SOCK_STREAM)
        bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            bound.bind((host, number))
            bound.listen(128)
        except OSError as error:
            bound.close()
            last = error
            continue
        return bound
    asked = f"port {port}" if port is not None else f"ports {PORT} to {PORT + TRIED - 1}"
    what = f"{host}, {asked}: cannot listen ({last.strerror if last else 'taken'})"
    raise SettingsError(what, do="Name another with --port, or close what listens there")


def _own_address() -> str:
    """Of this machine in its network; no packet is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))  # an address for documentation (RFC 5737): only the route is looked up
            return str(probe.getsockname()[0])
        except OSError:
            return socket.gethostname()


def serve(listening: Listening, ready: Callable[[], None] | None = None) -> None:
    """Answer until the process is told to end. ready: called once it answers. Ends within GRACE_S and a second."""
    server = DeskServer(listening, ready)
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)  # so that what stands below is done as well
    try:
        with suppress(KeyboardInterrupt):  # it was asked to end, and raises what it was asked with
            server.run(sockets=[listening.socket])
    finally:
        signal.signal(signal.SIGTERM, before)
        listening.close()


class DeskServer(uvicorn.Server):
    def __init__(self, listening: Listening, ready: Callable[[], None] | None = None) -> None:
        logging.getLogger("uvicorn.error").setLevel(logging.CRITICAL)  # what it says at its end is for its developers
        config = uvicorn.Config(
            application(listening.desk),
            log_config=None,
            access_log=False,
            lifespan="off",
            ws="none",
            server_header=False,
            proxy_headers=False,
            timeout_graceful_shutdown=GRACE_S,
            timeout_keep_alive=30,
            limit_concurrency=200,
        )
        super().__init__(config)
        self.desk, self.ready = listening.desk, ready

    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        await super().startup(sockets)
        threading.Thread(target=_warm, args=(self.desk,), daemon=True).start()
        if self.ready:
            self.ready()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self.desk.questions.stop_all()
        await super().shutdown(sockets)


def _warm(desk: Desk) -> None:
    """What the first page needs and takes a while to load."""
    with suppress(Exception):
        desk.store.read().close()
        import herdbook.pipeline.desk.fleet
        import herdbook.pipeline.desk.vehicle
        import herdbook.pipeline.desk.window  # noqa: F401
        from herdbook.pipeline.desk import look

        for name in ("fleet_list", "one_vehicle", "window"):
            look.environment().get_template(f"{name}.html.j2")
        for profile in desk.store.profiles():
            profile.network()
