"""A pack that warms under load: air not quite what was thought, an uneven start, sensors that lag and read in steps."""

from __future__ import annotations

from functools import partial

import numpy as np
from scipy.signal import lfilter

from herdbook.pipeline.metrics.heat_pack import LEAST_EXPLAINED_K, LITTLE_EXPLAINED_K
from herdbook.pipeline.science.heat import relax, rise, within_steps
from tests.coverage.case import Case, Draw, Rng

STEP_S = 10.0


def _lagged(v: np.ndarray, seconds: float) -> np.ndarray:
    a = np.exp(-STEP_S / seconds)
    return np.asarray(lfilter([1 - a], [1, -a], v, zi=[a * v[0]])[0])


def _once(
    rng: Rng,
    minutes: tuple[float, float],
    probe_s: tuple[float, float],
    step_k: tuple[float, ...],
    explains_k: tuple[float, float] = (0.5, np.inf),
) -> list[Draw]:
    n = int(rng.uniform(*minutes) * 60 / STEP_S)
    tau, ratio = rng.uniform(1500.0, 9000.0), float(np.exp(rng.normal(0.1, 0.4)))
    load = np.abs(lfilter([1.0], [1.0, -np.exp(-STEP_S / 60.0)], rng.normal(0.0, 1.0, n))) + 0.5
    load *= rng.random(n // 12 + 1).repeat(12)[:n] < 0.85
    if not load.any():
        return []
    drive = load / load.mean() * rng.uniform(3.0, 25.0) * tau / max(n * STEP_S, tau)
    explained = within_steps(relax(drive, STEP_S, tau))
    if np.isfinite(explains_k[1]):
        explained *= rng.uniform(*explains_k) / explained.max()
    air, first = rng.uniform(0, 30), 0.0
    first = air + rng.normal(0.0, 1.0)
    passive = within_steps(relax(np.full(n, air), STEP_S, tau, first), first)
    true_air = air + rng.normal(0.0, 1.0)
    own = within_steps(relax(np.full(n, true_air), STEP_S, tau, first), first)
    body = own + ratio * explained
    read = _lagged(body, float(np.exp(rng.uniform(*np.log(probe_s))))) + rng.normal(0, rng.uniform(0.03, 0.25), n)
    step = float(rng.choice(step_k))
    found = rise(np.round(read / step) * step, passive, explained, STEP_S, tau)
    return [] if found is None or explained.max() < explains_k[0] else [(found.ratio, found.se, ratio)]


WORLDS = {
    "rides, quick probes": ((6.0, 20.0), (5.0, 30.0), (0.2, 0.5)),
    "rides, slow probes": ((6.0, 20.0), (60.0, 300.0), (0.2, 0.5, 1.0)),
    "rides, coarse probes": ((6.0, 20.0), (5.0, 120.0), (1.0, 2.0)),
    "charges of hours": ((60.0, 300.0), (5.0, 300.0), (0.2, 0.5, 1.0)),
}
LITTLE = Case(
    "heat over what the load explains",
    "rides of little load",
    partial(
        _once,
        minutes=(6.0, 20.0),
        probe_s=(5.0, 300.0),
        step_k=(0.2, 0.5, 1.0),
        explains_k=(LITTLE_EXPLAINED_K, LEAST_EXPLAINED_K),
    ),
    cheap=True,
)
CASES = [
    Case(
        "heat over what the load explains",
        world,
        partial(_once, minutes=minutes, probe_s=probe_s, step_k=step_k),
        quick=world == "rides, slow probes",
        cheap=True,
    )
    for world, (minutes, probe_s, step_k) in WORLDS.items()
] + [LITTLE]
