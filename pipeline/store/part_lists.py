"""Which parts a view over the lake reads: read_parquet's list of files.

A view names its parts, and asks a variable of the connection first: so views are made, as all are bound when they are
made, against one part instead of each. Of a profile with very many logs a view names none: the names alone would be
what publishing writes. Then it reads the parts that its variable holds, which `herdbook query` and Python set for
whoever asks, and the view _files has them all for other programs.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from herdbook.pipeline.lake.place import Lake
from herdbook.pipeline.store.statements import ask, has_view

if TYPE_CHECKING:
    import duckdb

# Logs of a profile whose parts views name; engineering choice: 2 MB of names, opened by a query in about a second.
LISTED = 20_000
TRIED = 5  # newest logs of a network of which one has a sound part, else all of them are looked through
FILES = "_files"  # the view, in a profile's schema

Sample = tuple[str, list[tuple[str, str]]]  # a network, and some of its parts with their hashes


def text(value: str) -> str:
    return "'" + value.replace("'", "''") + "'"


def variable_of(schema: str, number: int) -> str:
    """schema: a name of letters, digits and underscores."""
    return f"parts_of_{schema}_{number}"


def named(variable: str, files: Sequence[str]) -> str:
    """The argument of a view that names its parts, at least one."""
    names = text("\n".join(files))
    return f"coalesce(getvariable('{variable}'), string_split({names}, chr(10)))"


def asked(variable: str, schema: str) -> str:
    """The argument of one that is told them."""
    do = f"SET VARIABLE {variable} = (SELECT list(DISTINCT file) FROM {schema}.{FILES} WHERE variable = '{variable}')"
    said = f"There are too many parts to name them in this view. Use `herdbook query`, or first run: {do}"
    return f"coalesce(getvariable('{variable}'), error({text(said)}))"


def look_at(con: duckdb.DuckDBPyConnection, variable: str, file: str) -> None:
    """From here on this connection sees one part in a view."""
    con.execute(f"SET VARIABLE {variable} = [{text(file)}]")


def samples(con: duckdb.DuckDBPyConnection) -> dict[str, list[Sample]]:
    """By profile of so many logs that views do not name their parts: some newest parts of each network that has any."""
    networks = [row for row in ask(con, __name__, "newest_of_networks", tried=TRIED) if row["all_logs"] > LISTED]
    wanted = [log for row in networks for log in row["logs"]]
    if not wanted:
        return {}
    rows = con.execute("SELECT log, part, hash FROM parts WHERE log IN (SELECT unnest(?))", [wanted]).fetchall()
    of_log = {log: (part, digest) for log, part, digest in rows}
    found: dict[str, list[Sample]] = {}
    for row in networks:
        parts = [of_log[log] for log in row["logs"] if log in of_log]
        if not parts:  # they expired: perhaps older ones, decoded later, did not
            of_network = "SELECT p.part, p.hash FROM parts p JOIN logs l USING (log) WHERE l.network_hash = ? LIMIT 1"
            parts = con.execute(of_network, [row["network_hash"]]).fetchall()
        if parts:
            found.setdefault(row["profile"], []).append((row["network_hash"], parts))
    return found


def add_files(con: duckdb.DuckDBPyConnection, schema: str, profile: str, lake: Lake, networks: Sequence[str]) -> None:
    """The view of a profile's parts. networks: by the number of their variable."""
    of_part = "x.parquet"  # a part's address is that of the lake and its name
    before = lake.address(of_part).removesuffix(of_part)
    numbered = " ".join(f"WHEN {text(name)} THEN '{variable_of(schema, n)}'" for n, name in enumerate(networks))
    con.execute(
        f'CREATE VIEW "{schema}".{FILES} AS '
        f"SELECT l.vehicle, l.log, l.start_t, l.end_t, {text(before)} || p.part AS file, "
        f"CASE l.network_hash {numbered} END AS variable FROM main.parts p JOIN main.logs l USING (log) "
        f"WHERE l.profile = {text(profile)}"
    )


def tell_parts(con: duckdb.DuckDBPyConnection, schemas: Sequence[str]) -> None:
    """Views of these schemas read all their parts from here on, also those that name none."""
    for schema in schemas:
        if not has_view(con, schema, FILES):
            continue
        of = f'FROM "{schema}".{FILES}'
        for (name,) in con.execute(f"SELECT DISTINCT variable {of}").fetchall():
            files = f"SELECT list(DISTINCT file ORDER BY file) {of} WHERE variable = '{name}'"
            con.execute(f"SET VARIABLE {name} = ({files})")
