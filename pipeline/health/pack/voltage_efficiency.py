"""The share of a charger's energy that a pack gives back while riding, from its voltages both ways at equal charge.

Energy efficiency is charge efficiency times voltage efficiency. An LFP cell loses next to no charge on a round trip, so
nearly all of the loss is in the voltage: mean volts in rides over mean volts in charges, in the same bands of state of
charge. That needs no unbroken record: any ride and any charge that pass the same bands will do. It is the most that can
come back: charge that is lost comes on top. One sensor reads both ways, so that its gain cancels.

Source: energy efficiency as the product of charge and voltage efficiency: common practice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from herdbook.pipeline.arrays import Floats
from herdbook.pipeline.metrics.pack_bands import HIGHEST_PCT, LOWEST_PCT, WIDTH_PCT

__all__ = ["Efficiency", "voltage_efficiency"]

# How far a ride and a charge may stand apart in true charge within one band: the reported charge's own error, about
# 3 %, and where inside a band of ten they passed, 2.9 % (engineering choice).
APART_PCT = 4.2
LEAST_BANDS = 3  # of charges, for the slope of the voltage over charge
LEAST_SHARE = 0.1  # of what a charge puts into a band must have been ridden out of it (engineering choice)


LOWS = np.arange(LOWEST_PCT, HIGHEST_PCT, WIDTH_PCT)


@dataclass(frozen=True, slots=True)
class Efficiency:
    """value: volts out over volts in, with standard error. low_pct, high_pct: the charge it speaks for."""

    value: float
    se: float
    rides: int
    charges: int
    low_pct: float
    high_pct: float


@dataclass(frozen=True, slots=True)
class _Way:
    """One way through the pack: charge and energy by session and band, (sessions, bands)."""

    ah: Floats
    wh: Floats

    @property
    def sessions(self) -> int:
        return len(self.ah)

    @staticmethod
    def of(rows: pl.DataFrame, way: str) -> _Way:
        own = rows.filter(pl.col("way") == way)
        session = own["start_t"].rank("dense").cast(pl.Int64).to_numpy() - 1
        ah, wh = np.zeros((2, own["start_t"].n_unique(), LOWS.size))
        at = session, np.searchsorted(LOWS, own["low"].to_numpy())
        ah[at], wh[at] = own["ah"].to_numpy(), own["wh"].to_numpy()
        return _Way(ah, wh)

    def total(self, without: int | None = None) -> tuple[Floats, Floats]:
        """Ah and Wh by band over all sessions, or all but one."""
        left = np.arange(self.sessions) != (-1 if without is None else without)
        return self.ah[left].sum(axis=0), self.wh[left].sum(axis=0)


def voltage_efficiency(metrics: pl.DataFrame) -> tuple[Efficiency | None, str]:
    """From the metric rows (start_t, name, item, value) of one pack; None and why where rides and charges do not meet.

    se: what an error in the charge at which both are compared is worth, and the scatter between rides and between
    charges (jackknife: B. Efron, The Jackknife, the Bootstrap and Other Resampling Plans, 1982), where there are two.
    """
    rows = _rows(metrics)
    out, put = (_Way.of(rows, way) for way in ("out", "in"))
    for way, word in ((out, "ride"), (put, "charge")):
        if not way.sessions:
            return None, f"no {word} with pack voltage, current and reported charge between 10 and 90 % is on record"
    if (put.ah.sum(axis=0) > 0).sum() < LEAST_BANDS:
        return None, f"the charges on record pass fewer than {LEAST_BANDS} bands of ten per cent"
    (out_ah, _), (put_ah, put_wh) = out.total(), put.total()
    met = (put_ah > 0) & (out_ah >= LEAST_SHARE * put.ah.max(axis=0))
    if not met.any():
        return None, "no ride on record passes enough of a band of charge that a charge on record passes as well"
    rides = [_ratio(out.total(k), put.total(), met) for k in range(out.sessions)]
    charges = [_ratio(out.total(), put.total(k), met) for k in range(put.sessions)]
    error = APART_PCT * _a_per_cent(out_ah, put_ah, put_wh, met)
    se = float(np.sqrt(error**2 + _jackknife(rides) ** 2 + _jackknife(charges) ** 2))
    low, high = float(LOWS[met].min()), float(LOWS[met].max()) + WIDTH_PCT
    return Efficiency(
        value=_ratio(out.total(), put.total(), met),
        se=se,
        rides=out.sessions,
        charges=put.sessions,
        low_pct=low,
        high_pct=high,
    ), ""


def _rows(metrics: pl.DataFrame) -> pl.DataFrame:
    """start_t, way ("in" or "out"), low (%), ah, wh."""

    def one(name: str) -> pl.DataFrame:
        rows = metrics.filter(pl.col("name") == name, pl.col("value").is_finite())
        return rows.select("start_t", "item", pl.col("value").alias(name)).unique(["start_t", "item"], keep="first")

    both = one("pack_band_ah").join(one("pack_band_v"), on=["start_t", "item"])
    return both.select(
        "start_t",
        pl.col("item").str.extract(r"^(in|out) ").alias("way"),
        pl.col("item").str.extract(r"^\w+ (\d+)\.\.").cast(pl.Float64).alias("low"),
        pl.col("pack_band_ah").alias("ah"),
        (pl.col("pack_band_ah") * pl.col("pack_band_v")).alias("wh"),
    ).drop_nulls()


def _a_per_cent(out_ah: Floats, put_ah: Floats, put_wh: Floats, met: np.ndarray) -> float:
    """By how much the ratio moves when rides and charges are compared one per cent of charge apart."""
    charged = np.flatnonzero(put_ah > 0)
    volts = put_wh[charged] / put_ah[charged]
    rise, level = (np.interp(LOWS[met], LOWS[charged], y) for y in (np.abs(np.gradient(volts, LOWS[charged])), volts))
    return float(out_ah[met] @ rise / (out_ah[met] @ level))


def _ratio(out: tuple[Floats, Floats], put: tuple[Floats, Floats], met: np.ndarray) -> float:
    """Energy out over what the same charge took to put in, over the bands that both pass; NaN where none is left."""
    both = met & (out[0] > 1e-9) & (put[0] > 1e-9)
    took = float((out[0][both] * put[1][both] / put[0][both]).sum())
    return float(out[1][both].sum()) / took if took > 0 else float("nan")


def _jackknife(without: list[float]) -> float:
    """Standard error from the values without each session in turn; 0 with fewer than two."""
    left = np.array([v for v in without if np.isfinite(v)])
    n = left.size
    return float(np.sqrt((n - 1) / n * ((left - left.mean()) ** 2).sum())) if n > 1 else 0.0
