"""To when the herd is watched: to the newest thing that anybody recorded, of whichever vehicle.

Who asks years later does not watch the years between: nothing says that nothing failed in them. A vehicle is not
watched to its own newest log only, since a log is often pulled because of the failure: such a watch would end with its
own event and make every rate too high (censoring that depends on what is counted; J. D. Kalbfleisch and R. L. Prentice,
The Statistical Analysis of Failure Time Data (2002), 1.3). The end of the whole record depends on no single vehicle.
"""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from herdbook.pipeline.store.statements import ask

if TYPE_CHECKING:
    import duckdb


def record_end(con: duckdb.DuckDBPyConnection, now: datetime) -> datetime:
    """The end of the newest log or entry of the service book, naive UTC; now where there is none or it lies ahead.

    Raises: StoreError for a copy that knows no service book."""
    ends = [row["end_t"] for row in ask(con, __name__, "record_end") if row["end_t"] is not None]
    return min(now, *ends) if ends else now
