"""A map over speed and torque from scattered points: smooth where points lie near, empty where nothing was measured.

What is fitted is the loss, which is smooth and small, and not the efficiency, which falls off a cliff at no load. Its
form is that of losses in a drive (a constant, speed and its square, torque and its square, torque times speed); what is
left over near a place is taken back by a weighted mean of the points around it.

Source: least squares and kernel mean (common practice); contours by marching squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from herdbook.pipeline.arrays import Bools, Floats
from herdbook.pipeline.science.meta_analysis import Z95, t95

LEAST_POINTS = 8
WIDEST = 1.6  # a place this many usual distances from its nearest point is not on the map (engineering choice)
FULL_CIRCLE, EDGE = 2.0 * np.pi, 1.15 * np.pi  # places on the very edge of the points are still among them


@dataclass(frozen=True, slots=True)
class LossMap:
    """points (n, 2): speed and torque in shares of their range; left_over (n,): of the loss, and own_se its standard
    error; value, covariance: of the fitted form; usual: usual distance between neighbours."""

    low: Floats
    span: Floats
    points: Floats
    left_over: Floats
    own_se: Floats
    value: Floats
    covariance: Floats
    factor: float
    usual: float

    def at(self, speed: Floats, torque: Floats) -> tuple[Floats, Floats]:
        """Loss [W] at each place (m,) and the half width of its 95 % interval; NaN off the map."""
        place = (np.column_stack([speed, torque]) - self.low) / self.span
        basis = _basis(place)
        near = np.exp(-0.5 * (_distances(place, self.points) / self.usual) ** 2)
        weight = near / np.maximum(near.sum(axis=1), 1e-12)[:, None]
        loss = basis @ self.value + weight @ self.left_over
        own = weight @ self.own_se
        form = np.sqrt(np.einsum("ij,jk,ik->i", basis, self.covariance, basis))
        half = np.hypot(self.factor * form, Z95 * own)
        on = self._on(place)
        return np.where(on, loss, np.nan), np.where(on, half, np.nan)

    def _on(self, place: Floats) -> Bools:
        """On the map: near a point, and either close to it or with points on all sides."""
        far = _distances(place, self.points)
        nearest = far.min(axis=1)
        angle = np.arctan2(self.points[None, :, 1] - place[:, None, 1], self.points[None, :, 0] - place[:, None, 0])
        angle = np.sort(np.where(far <= 3.0 * self.usual, angle, np.nan), axis=1)
        first = angle[:, :1]
        gaps = np.diff(np.concatenate((angle, np.full(first.shape, np.nan)), axis=1), axis=1)
        last = np.nanmax(np.where(np.isnan(angle), -10.0, angle), axis=1)
        around = FULL_CIRCLE - (last - first[:, 0])
        widest = np.fmax(np.fmax.reduce(gaps, axis=1), around)
        amid = widest < EDGE
        return np.asarray((nearest <= WIDEST * self.usual) & (amid | (nearest <= 0.35 * self.usual)))


def loss_map(speed: Floats, torque: Floats, loss: Floats, loss_se: Floats) -> LossMap:
    """From points (n,). Raises: ValueError when there are too few, or all lie on a line."""
    n = speed.size
    if n < LEAST_POINTS:
        raise ValueError(f"{n} point{'s' * (n != 1)}, and {LEAST_POINTS} are needed for a map")
    both = np.column_stack([speed, torque])
    low, span = both.min(axis=0), np.ptp(both, axis=0)
    if not (span > 0).all():
        raise ValueError("all points have one speed or one torque")
    place = (both - low) / span
    basis = _basis(place)
    # errors of the points, and 3 % of the loss that no such form catches
    se = np.hypot(loss_se, 0.03 * np.abs(loss))
    weight = 1.0 / np.maximum(se, 1e-9)
    a, b = basis * weight[:, None], loss * weight
    inverse = np.linalg.pinv(a.T @ a + 1e-9 * np.diag((a**2).sum(axis=0)))
    value = inverse @ (a.T @ b)
    dof = max(n - basis.shape[1], 1)
    residual = b - a @ value
    misfit = max(float(residual @ residual) / dof, 1e-12)
    far = _distances(place, place)
    np.fill_diagonal(far, np.inf)
    usual = float(np.median(np.sort(far, axis=1)[:, min(2, n - 2)]))
    return LossMap(
        low=low,
        span=span,
        points=place,
        left_over=loss - basis @ value,
        own_se=loss_se,
        value=value,
        covariance=inverse * misfit,
        factor=t95(dof),
        usual=max(usual, 1e-6),
    )


def _basis(place: Floats) -> Floats:
    w, t = place[:, 0], place[:, 1]
    return np.column_stack([w**0, w, w**2, t, t**2, w * t])


def _distances(a: Floats, b: Floats) -> Floats:
    return np.asarray(np.hypot(a[:, None, 0] - b[None, :, 0], a[:, None, 1] - b[None, :, 1]))


def contour(z: Floats, level: float) -> tuple[Floats, Floats]:
    """Pieces of the line z = level over the cells of a grid, in places of columns and rows, parted by NaN.

    z (rows, columns); a cell with a NaN at a corner has no line."""
    xs: list[float] = []
    ys: list[float] = []
    rows, columns = z.shape
    for r in range(rows - 1):
        for c in range(columns - 1):
            corners = ((r, c), (r, c + 1), (r + 1, c + 1), (r + 1, c))
            values = [float(z[k]) - level for k in corners]
            if any(v != v for v in values):
                continue
            ends = []
            for k in range(4):
                a, b = values[k], values[(k + 1) % 4]
                if (a < 0.0) != (b < 0.0):
                    share = a / (a - b)
                    (r0, c0), (r1, c1) = corners[k], corners[(k + 1) % 4]
                    ends.append((c0 + share * (c1 - c0), r0 + share * (r1 - r0)))
            for begin, end in zip(ends[::2], ends[1::2], strict=False):
                xs += [begin[0], end[0], float("nan")]
                ys += [begin[1], end[1], float("nan")]
    return np.array(xs), np.array(ys)
