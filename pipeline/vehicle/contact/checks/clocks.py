"""Counters of time run as fast as time; serial numbers stand still."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from herdbook.pipeline.vehicle.contact.check import Check, Look
from herdbook.pipeline.vehicle.contact.view import View

PACE = (0.8, 1.25)
LEAST_STEPS = 8  # of the counter
GROWS = (0.0, 1.6)  # ms a ms; frames jitter
LOST_STEPS, FAR = 5, 3.0  # rises in a row, to so many times what is usual: then one packet is waited for
WAITS = (0.6, 1.6)
SERIALS = ("vehicle_serial", "pack_serial", "controller_serial")


def _uptime(view: View) -> Iterator[Look]:
    s = view.series("controller_uptime")
    if len(s) < 3:
        return
    steps = np.diff(s.v)
    begins = np.concatenate([[0], np.flatnonzero(steps < 0) + 1, [len(s)]])
    k = int(np.argmax(np.diff(begins)))
    run = slice(begins[k], begins[k + 1])
    v, t = s.v[run], s.t[run]
    up = np.diff(v)
    quantum = float(np.min(up[up > 0])) if (up > 0).any() else 0.0
    passed, counted = float(t[-1] - t[0]) / 1e6, float(v[-1] - v[0])
    if passed > 60 and (counted >= LEAST_STEPS * quantum or not quantum):
        yield Look("", counted / passed, *PACE, error=2 * quantum / passed, n=v.size)


def _age(view: View) -> Iterator[Look]:
    """An age grows by no more than the time that passes."""
    s = view.series("packet_age")
    grown, passed = np.diff(s.v), np.diff(s.t) / 1000
    rising = (grown > 0) & (passed < 1000)
    if rising.sum() >= 20:
        step = float(np.min(grown[rising]))
        pace = float(np.quantile((grown - step)[rising] / passed[rising], 0.9))
        yield Look("", pace, *GROWS, n=int(rising.sum()))


def _waits(view: View) -> Iterator[Look]:
    """While no packet comes at all, its age grows by the time that passes."""
    s = view.series("packet_age")
    if len(s) < 50:
        return
    usual = float(np.quantile(s.v, 0.95))
    stops = np.flatnonzero(~(np.diff(s.v) > 0))
    ends = np.concatenate([[-1], stops, [len(s) - 1]])
    paces = []
    for a, b in zip(ends[:-1] + 1, ends[1:] + 1, strict=True):  # samples a..b-1 rise
        if b - a > LOST_STEPS and s.v[b - 1] > FAR * usual:
            paces.append(float((s.v[b - 1] - s.v[a + 1]) / (s.t[b - 1] - s.t[a + 1]) * 1000))
    if paces:
        yield Look("", float(np.median(paces)), *WAITS, n=len(paces))


def _serials(view: View) -> Iterator[Look]:
    for role in SERIALS:
        got = view.received.get((role, ""))
        if got and got.known > 1:
            values = np.unique(view.series(role).v).size
            said = "one number throughout" if values == 1 else f"{values} different numbers in one log"
            yield Look(role, float(values), 0.0, 2.0, said=said)


CHECKS = (
    Check(
        "uptime",
        "the controller's time runs as fast as time",
        "s/s",
        ("controller_uptime",),
        _uptime,
        "the controller's time runs {measured} times as fast as time",
        "Check unit and scale of controller_uptime",
    ),
    Check(
        "packet_age",
        "an age grows no faster than time",
        "ms/ms",
        ("packet_age",),
        _age,
        "the age of packets grows faster than time",
        "Check unit and scale of packet_age: milliseconds",
    ),
    Check(
        "packet_waits",
        "an age grows as time does while no packet comes",
        "ms/ms",
        ("packet_age",),
        _waits,
        "the age of packets grows {measured} times as fast as time",
        "Check unit and scale of packet_age: milliseconds",
    ),
    Check(
        "serials",
        "serial numbers stand still within a log",
        "numbers",
        SERIALS,
        _serials,
        "{item} changes within a log",
        "Check which signal {item} is",
        needs=("vehicle_serial",),
        of_item=True,
    ),
)
