"""A store read from Python: vehicles, sessions, metrics, findings, signals and SQL as polars tables.

fleet = herdbook.open("store")
fleet.findings()                                                    # one row a finding as it stands
fleet.metrics(names=["cell_r_ratio"], since="2026-03-01")
fleet.signals("ZB-0105", ["pack_current"], since="2026-03-20 10:00", until="2026-03-20 10:10", every="1s")

Everything is read from the published catalogue and the lake; nothing is written but the pages asked for. Times are UTC.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from herdbook.pipeline.errors import NotKnownError, SettingsError
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.times import micros

if TYPE_CHECKING:
    import polars as pl

When = str | datetime


class Fleet:
    """One store, open for reading. Get one with herdbook.open()."""

    def __init__(self, store: Store) -> None:
        self.store = store

    def __repr__(self) -> str:
        return f"<Herdbook fleet in {self.store.folder}: {self._counted()}>"

    def _repr_html_(self) -> str:
        """For a notebook: what is in it, and which vehicles must not be used."""
        from herdbook.shown import as_table, said

        words = said(f"Herdbook fleet in {self.store.folder}: {self._counted()}.")
        stop = self.findings(severity="stop-use").select("vehicle", "title", "item", "statement")
        return words + (as_table("Stop use", stop) if stop.height else said("No stop-use finding."))

    def _counted(self) -> str:
        with self.store.read() as con:
            counted = con.execute(
                "SELECT (SELECT count(*) FROM vehicles), (SELECT count(*) FROM logs), (SELECT max(end_t) FROM logs)"
            ).fetchone()
        vehicles, logs, newest = counted or (0, 0, None)
        until = f", newest record {newest:%Y-%m-%d %H:%M} UTC" if newest else ""
        return f"{vehicles} vehicle{'s' if vehicles != 1 else ''}, {logs} log{'s' if logs != 1 else ''}{until}"

    def sql(self, query: str, **given: object) -> pl.DataFrame:
        """One SELECT over catalogue and lake; given: values of its $names. Parts that it may read are compared with
        their hashes first.

        Raises: SettingsError for anything but one SELECT; StoreError for a damaged part.
        """
        import duckdb

        from herdbook.pipeline.errors import damage
        from herdbook.pipeline.herd.one_select import one_select
        from herdbook.pipeline.store.publish import vouch_for

        with self.store.read() as con:
            try:
                statement = one_select(con, query)
                vouch_for(self.store, con, statement)
                table: pl.DataFrame = con.sql(statement, params=given or None).pl()
                return table
            except duckdb.Error as error:
                if trouble := self.store.lake.trouble() or damage(error):
                    raise trouble from None
                raise SettingsError(f"SQL: {str(error).strip()}", do="Correct the statement") from None

    def vehicles(self) -> pl.DataFrame:
        """One row a vehicle: vehicle, profile, batch, built, in_service, first and last record."""
        return self.sql("SELECT * FROM vehicles ORDER BY vehicle")

    def sessions(
        self, vehicle: str = "", kind: str = "", since: When | None = None, until: When | None = None
    ) -> pl.DataFrame:
        """One row a session (ride, charge, rest) that began in the time asked for."""
        return self._rows("sessions", ("vehicle", vehicle), ("kind", kind), since=since, until=until)

    def metrics(
        self, names: Sequence[str] = (), vehicle: str = "", since: When | None = None, until: When | None = None
    ) -> pl.DataFrame:
        """One row a figure of a session: name, item, value, unit, se (standard error), n, coverage, and doubt: why it
        is not to be relied on, where logs contradict the profile in what it is made of; else null.

        Raises: NotKnownError when nothing at all is on record under a name.
        """
        found = self._rows("metrics", ("vehicle", vehicle), since=since, until=until, among=("name", names))
        if names and not found.height:
            self._know(names)
        return found.join(self._doubts(), on=["vehicle", "name"], how="left", maintain_order="left")

    def findings(self, vehicle: str = "", severity: str = "") -> pl.DataFrame:
        """One row a finding as it stands."""
        return self._rows("findings", ("vehicle", vehicle), ("severity", severity))

    def scores(self, vehicle: str = "") -> pl.DataFrame:
        """One row a vehicle and subsystem: score 0 to 100 or null, and why."""
        return self._rows("scores", ("vehicle", vehicle))

    def not_assessed(self, vehicle: str = "") -> pl.DataFrame:
        """One row a vehicle and rule that could not judge it, and why."""
        return self._rows("not_assessed", ("vehicle", vehicle))

    def signals(
        self,
        vehicle: str,
        names: Sequence[str],
        since: When | None = None,
        until: When | None = None,
        every: str | None = None,
    ) -> pl.DataFrame:
        """Samples in one long table: t, name, value, unit.

        names: roles ("pack_current"; of a further pack "pack_2_pack_current"), one item of a role ("cell_voltage[7]"),
        or Message.Signal as the DBC calls it.
        since, until: of the record, first and last when left out. every: the mean over each such piece of time ("1s",
        "5m"), worked out a day at a time, else every sample. A long record at full rate: scan_signals().
        Raises: NotKnownError for an unknown vehicle or name, or when nothing was recorded.
        """
        import polars as pl

        from herdbook.samples import lazy, means, samples

        start, end = self._stretch(vehicle, since, until)
        if every is None:
            found = pl.concat(samples(self.store, vehicle, names, start, end))
        else:
            found = means(lazy(self.store, vehicle, names, start, end), every)
        place = {name: k for k, name in enumerate(_in_order(found["name"].unique().to_list(), names))}
        order = pl.col("name").replace_strict(place, return_dtype=pl.Int64)
        return found.sort(order, "t", maintain_order=True)

    def scan_signals(
        self, vehicle: str, names: Sequence[str], since: When | None = None, until: When | None = None
    ) -> pl.LazyFrame:
        """The same samples as a plan: a year of them is read a day at a time, and only as far as the query asks.

        fleet.scan_signals("ZB-0105", ["pack_current"]).filter(pl.col("value") > 40).collect()
        Raises: as signals(); a name that there is not is told when the plan is collected.
        """
        from herdbook.samples import lazy

        return lazy(self.store, vehicle, names, *self._stretch(vehicle, since, until))

    def dossier(self, vehicle: str, out: Path | str = ".") -> Path:
        """Write the vehicle's dossier; the file. out: the file, or a folder. Raises: NotKnownError."""
        from herdbook.pipeline.reports import write_dossier

        return write_dossier(self.store, vehicle, out)

    def history(
        self,
        vehicle: str,
        zone: str | None = None,
        units: str = "km",
        as_of: When | None = None,
    ) -> pl.DataFrame:
        """The lines of the vehicle's history, one a row, as the signed page has them. zone: of the reader, else the
        vehicle's. units: "km" or "mi". as_of: what was known then (UTC). Raises: NotKnownError, SettingsError."""
        import polars as pl

        from herdbook.pipeline.reports.history.document import document

        then = None if as_of is None else _moment(as_of)
        made = document(self.store, vehicle, zone=zone, units=units, as_of=then)
        columns = ("no", "section", "topic", "from", "to", "severity", "text", "basis", "rule", "rule_set", "logs")
        rows = [{name: line[name] for name in columns} for line in made["lines"]]
        return pl.DataFrame(rows, infer_schema_length=None)

    def _rows(
        self,
        table: str,
        *equal: tuple[str, str],
        since: When | None = None,
        until: When | None = None,
        among: tuple[str, Sequence[str]] | None = None,
    ) -> pl.DataFrame:
        """Rows of one table of the catalogue; what is empty is not asked for."""
        given: dict[str, Any] = {name: value for name, value in equal if value}
        where = [f"{name} = ${name}" for name in given]
        if among is not None and among[1]:
            given["among"] = list(among[1])
            where.append(f"{among[0]} IN $among")
        for name, sign, when in (("since", ">=", since), ("until", "<=", until)):
            if when is not None:
                given[name] = _moment(when)
                where.append(f"start_t {sign} ${name}")
        return self.sql(f"SELECT * FROM {table}" + (f" WHERE {' AND '.join(where)}" if where else ""), **given)

    def _doubts(self) -> pl.DataFrame:
        """Figures in doubt, by vehicle and name."""
        import polars as pl

        from herdbook.pipeline.health.doubted_figures import doubted_figures
        from herdbook.pipeline.reports.facts import doubts_of
        from herdbook.pipeline.vehicle.packs import unmarked

        with self.store.read() as con:
            of = con.execute("SELECT vehicle, profile FROM vehicles").fetchall()
            names = con.execute("SELECT DISTINCT name FROM metrics").fetchall()
            packs = {unmarked(name)[0] for (name,) in names}
            by_profile = {profile: doubted_figures(doubts_of(con, profile), packs) for _, profile in of}
        rows = [(vehicle, name, why) for vehicle, profile in of for name, why in by_profile[profile].items()]
        return pl.DataFrame(rows, schema=dict.fromkeys(("vehicle", "name", "doubt"), pl.String), orient="row")

    def _stretch(self, vehicle: str, since: When | None, until: When | None) -> tuple[int, int]:
        """From and to, microseconds UTC, the end left out; the whole record where nothing is asked."""
        first, last = self._recorded(vehicle)
        start = first if since is None else micros(_moment(since))
        return start, last + 1 if until is None else micros(_moment(until))

    def _recorded(self, vehicle: str) -> tuple[int, int]:
        """First and last moment on record, microseconds UTC."""
        with self.store.read() as con:
            found = con.execute("SELECT min(start_t), max(end_t) FROM logs WHERE vehicle = ?", [vehicle]).fetchone()
        if found is None or found[0] is None:
            raise NotKnownError(f"nothing is on record for {vehicle!r}", do="fleet.vehicles() lists what there is")
        return micros(found[0]), micros(found[1])

    def _know(self, names: Sequence[str]) -> None:
        """Raises: NotKnownError when a metric's name is on record for no vehicle."""
        known = set(self.sql("SELECT DISTINCT name FROM metrics")["name"])
        for name in names:
            if name not in known:
                import difflib

                near = ", ".join(difflib.get_close_matches(name, known, 3, 0.4)) or "none"
                raise NotKnownError(f"no metric {name!r} is on record", do=f"Near names: {near}")


def _in_order(found: Sequence[str], names: Sequence[str]) -> list[str]:
    """Names as they were asked for, items of a role by number."""
    place = {name: k for k, name in enumerate(names)}

    def key(name: str) -> tuple[int, int, str]:
        role, _, item = name.partition("[")
        item = item.rstrip("]")
        return place.get(name, place.get(role, len(place))), int(item) if item.isdigit() else 0, item

    return sorted(found, key=key)


def _moment(when: When) -> datetime:
    """A moment as naive UTC, as the catalogue keeps times; text as ISO 8601, UTC where it names no zone."""
    from datetime import UTC

    try:
        moment = datetime.fromisoformat(when) if isinstance(when, str) else when
    except ValueError:
        raise SettingsError(f"{when!r} is no moment", do='Write one like "2026-03-20 10:00"') from None
    return moment.astimezone(UTC).replace(tzinfo=None) if moment.tzinfo else moment


def open_fleet(store: Path | str) -> Fleet:
    """A store for reading. Raises: StoreError when there is none, or nothing has been published yet."""
    opened = Store.open(store)
    opened.read().close()
    return Fleet(opened)
