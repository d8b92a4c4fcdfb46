"""A bus opened through python-can, with every way in which that fails put into words, and what the kernel dropped."""

from __future__ import annotations

import errno
import logging
import socket
import struct
import sys
from contextlib import suppress
from typing import Any

from herdbook.pipeline.bench.live.address import BusAddress
from herdbook.pipeline.errors import BusError, SettingsError
from herdbook.pipeline.vehicle.problems import nearest

BUFFER_BYTES = 8 << 20  # about ten thousand frames: a second at full load
# Linux, asm-generic/socket.h: receive buffer past the system's bound; counters of a socket, the ninth its drops
SO_RCVBUFFORCE, SO_MEMINFO, DROPS = 33, 55, 8
REASONS = {
    errno.ENODEV: ("there is no such interface", "`ip link` lists those that are there"),
    errno.ENETDOWN: (
        "the interface is down",
        "Type: ip link set {channel} up type can bitrate 500000 listen-only on",
    ),
    errno.EAFNOSUPPORT: ("the kernel of this computer knows no CAN", "Load its modules, as in: modprobe can-raw"),
    errno.EPERM: ("this user may not open it", "Ask whoever keeps the computer for the right"),
    errno.EACCES: ("this user may not open it", "Ask whoever keeps the computer for the right"),
    errno.ENOENT: ("there is no such device", "Look whether it is plugged in"),
    errno.EBUSY: ("another program has it open", "Close that one first"),
}


class OpenBus:
    """An opened bus. can: python-can's; close() it."""

    def __init__(self, address: BusAddress, can: Any) -> None:
        self.address, self.can = address, can
        self._socket = _socket_of(can)
        self._before = 0
        if self._socket is not None:
            _widen(self._socket)
            self._before = self._drops()

    def dropped(self) -> int | None:
        """Frames that the kernel threw away because nobody took them in time; None where it cannot be asked."""
        return None if self._socket is None or not sys.platform.startswith("linux") else self._drops() - self._before

    def _drops(self) -> int:
        try:
            told = self._socket.getsockopt(socket.SOL_SOCKET, SO_MEMINFO, 4 * (DROPS + 1))
            return int(struct.unpack(f"{DROPS + 1}I", told)[DROPS])
        except (OSError, struct.error, AttributeError):
            return 0

    def close(self) -> None:
        """Never fails: what matters lies in the log."""
        with suppress(Exception):
            self.can.shutdown()


def open_bus(address: BusAddress) -> OpenBus:
    """Raises: SettingsError for an unknown interface or option; BusError when it cannot be opened, saying why."""
    import can

    logging.getLogger("can").addHandler(logging.NullHandler())  # its words would run across ours
    logging.getLogger("can").propagate = False
    known = sorted(can.VALID_INTERFACES)
    if address.interface not in known:
        raise SettingsError(
            f"no interface is called {address.interface!r}", str(address), nearest(address.interface, known)
        )
    options: dict[str, Any] = dict(address.options)
    if isinstance(state := options.get("state"), str):
        if state.upper() not in ("ACTIVE", "PASSIVE"):
            raise SettingsError(f"state={state} is not known", str(address), "Say state=PASSIVE or state=ACTIVE")
        options["state"] = can.BusState[state.upper()]
    try:
        return OpenBus(address, can.Bus(address.channel, interface=address.interface, ignore_config=True, **options))
    except can.CanInterfaceNotImplementedError as error:
        do = "Install what the interface's maker says, with the Python package that python-can names for it"
        raise BusError(f"a driver or package is missing: {_short(error)}", str(address), do) from None
    except TypeError as error:
        shown = ", ".join(f"{k}={v}" for k, v in address.options.items()) or "none given"
        do = f"Options here: {shown}. python-can's page of this interface lists what it takes"
        raise SettingsError(f"the interface does not take that: {_short(error)}", str(address), do) from None
    except ImportError as error:
        do = f"Type: pip install {error.name}" if error.name else "Install its driver"
        raise BusError(f"a package is missing: {_short(error)}", str(address), do) from None
    except Exception as error:
        raise trouble(address, error, "it cannot be opened") from None


def trouble(address: BusAddress, error: BaseException, what: str) -> BusError:
    """Any other error of python-can, a driver or the kernel, in words."""
    number = getattr(error, "errno", None) or getattr(error, "error_code", None)
    reason, do = REASONS.get(number or 0, (_short(error), "Look at cable, power and driver of the interface"))
    return BusError(f"{what}: {reason}", str(address), do.format(channel=address.channel))


def _short(error: BaseException) -> str:
    """What a driver says, on one line and of bounded length."""
    said = " ".join(str(error).split()).rstrip(".")
    return (said[:200] + "...") if len(said) > 200 else said or type(error).__name__


def _socket_of(bus: Any) -> Any:
    for holder in (bus, getattr(bus, "_multicast", None)):
        for name in ("socket", "_socket"):
            if isinstance(found := getattr(holder, name, None), socket.socket):
                return found
    return None


def _widen(opened: Any) -> None:
    """As large a buffer as the system gives: at 8,000 frames a second the usual one is full after 30 ms."""
    for option in (socket.SO_RCVBUF, SO_RCVBUFFORCE):
        with suppress(OSError):
            opened.setsockopt(socket.SOL_SOCKET, option, BUFFER_BYTES // 2)  # the kernel doubles it
