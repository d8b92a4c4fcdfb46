"""What looking again after every session costs: by how much the chance of finding something by mistake grows.

A figure that is tested night by night with all that is known so far is one path, not many trials: what it shows tonight
it mostly showed last night. Its test statistic forgets with the ratio of the points known: after n of m points their
correlation is (m / n)^rate, with 1/2 for a mean and 3/2 for a slope. How often such a path passes c where it would at
one look with the chance p: M. Leadbetter, G. Lindgren, H. Rootzen, Extremes (1983), 12.2, for looks without pause;
for looks from point to point D. Siegmund, Sequential Analysis (1985), 10.4.
"""

from __future__ import annotations

import math
from statistics import NormalDist

MEAN, SLOPE = 0.5, 1.5
NORMAL = NormalDist()


def over_nights(p: float, points: int, first: int, rate: float) -> float:
    """Chance of so small a p at any look yet, at most 1: a look after every point from the `first` to `points`.

    p: two-sided, of tonight's look alone. One that was looked at once stays what it is."""
    if points <= first or not 0.0 < p < 1.0:
        return p
    c = -NORMAL.inv_cdf(0.5 * p)
    passed = sum(rate / m * math.exp(-0.583 * c * math.sqrt(2.0 * rate / m)) for m in range(first + 1, points + 1))
    return min(1.0, p * (1.0 + c * c * passed))
