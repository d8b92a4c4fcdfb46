"""Names from outside stay text: nothing is run, and nothing is written outside the store."""

from __future__ import annotations

from pathlib import Path

import tests.toy.logs as toy
from herdbook.pipeline.lake.read import load_signals
from herdbook.pipeline.vehicle.profile import load_profile
from tests.toy.bench import DATA, NOW, Bench

EVIL = [
    "'; DROP TABLE logs; --",
    "\"); COPY logs TO 'x.csv'; --",
    "<script>alert(1)</script>",
    "../../../../etc/passwd",
    "{0.__class__}",
    "%s%n",
    "$(touch x)",
    "Ü-ß 車 1",
]


def tree(folder: Path) -> set[str]:
    return {p.relative_to(folder).as_posix() for p in folder.rglob("*")}


def test_vehicle_names_are_text(bench: Bench) -> None:
    for i, name in enumerate(EVIL):
        log = toy.write(bench.inbox / f"{i}.log", toy.stretch(toy.T0 + i * 60_000_000, 10, serial=0))
        escaped = name.replace("\\", "\\\\").replace('"', '\\"')
        log.with_name(f"{i}.log.toml").write_text(f'vehicle = "{escaped}"\nbatch = "{escaped}"\n')
    outside = {p for p in tree(bench.folder.parent) if "/store/" not in p}
    bench.scan()
    assert bench.ask("SELECT vehicle, batch FROM vehicles ORDER BY 1") == sorted((n, n) for n in EVIL)
    assert bench.ask("SELECT DISTINCT vehicle FROM toy.pack ORDER BY 1") == sorted((n,) for n in EVIL)
    for name in EVIL:
        assert len(load_signals(bench.store, name, 0, NOW).series("pack_voltage")) == 100, name
    assert {p for p in tree(bench.folder.parent) if "/store/" not in p} == outside


def test_names_that_could_fool_a_terminal_are_refused(bench: Bench) -> None:
    for i, name in enumerate(["\\u001b[31mred", "line\\nbreak", "", "x" * 65, "\\u202egnp"]):
        log = toy.write(bench.inbox / f"{i}.log", toy.stretch(toy.T0, 10, serial=0, first=i))
        log.with_name(f"{i}.log.toml").write_text(f'vehicle = "{name}"\n')
    bench.scan()
    said = bench.reasons()
    assert len(said) == 5
    assert all("vehicle must have 1 to 64" in s or "cannot be printed" in s for s in said.values()), said
    assert not any("\x1b" in s or "\u202e" in s for s in said.values())


def test_file_names_are_text(bench: Bench) -> None:
    names = ["'; DROP TABLE logs; --.log", "$(reboot).log", "a\nb.log", "<b>.log", "x" * 200 + ".log"]
    for i, name in enumerate(names):
        toy.write(bench.inbox / name, toy.stretch(toy.T0 + i * 60_000_000, 10))
    bench.scan()
    assert bench.ask("SELECT name FROM logs ORDER BY start_t") == [(n,) for n in names]


SIDECARS = (
    ("vehicle = 'A'\nrun = 'rm'", "'run' is not known"),
    ("start = 'yesterday'", "start must be a date and time"),
    ("bench = 'yes'", "bench must be true or false"),
    ("zone = '../../etc/passwd'", "the sidecar is wrong"),
    ("built = 'x'", "the sidecar is wrong"),
    ("vehicle = ", "the sidecar is not TOML"),
    ("#" * 70_000, "larger than 64 kB"),
)


def test_sidecars_are_checked(bench: Bench) -> None:
    for i, (text, _) in enumerate(SIDECARS):
        log = toy.write(bench.inbox / f"{i}.log", toy.stretch(toy.T0, 10, first=i))
        log.with_name(f"{i}.log.toml").write_text(text)
    bench.scan()
    said = bench.reasons()
    for i, (_, expected) in enumerate(SIDECARS):
        assert expected in said[f"{i}.log"]


def test_texts_of_a_dbc_are_text(tmp_path: Path) -> None:
    """A unit and a comment that carry SQL and HTML; names in a DBC are words by its grammar."""
    dbc = (DATA / "toy.dbc").read_text().replace('"rpm" BMS', '"rpm\'; DROP TABLE logs; --" BMS')
    (tmp_path / "toy.dbc").write_text(dbc + '\nCM_ BO_ 256 "<script>alert(1)</script>";\n')
    toml = (
        (DATA / "toy.toml")
        .read_text()
        .replace('{ left = "Drive.Rpm" }', '{ left = { signal = "Drive.Rpm", unit = "rpm" } }')
    )
    (tmp_path / "toy.toml").write_text(toml)
    assert load_profile(tmp_path / "toy.toml").name == "toy"


def test_a_name_that_is_a_table_stays_apart(tmp_path: Path) -> None:
    """A profile called like a schema of DuckDB, and one whose name needs quoting."""
    for name in ("main", "information_schema", "a-b.c"):
        folder = tmp_path / name
        folder.mkdir()
        (folder / "toy.dbc").write_text((DATA / "toy.dbc").read_text())
        (folder / "p.toml").write_text((DATA / "toy.toml").read_text().replace('"toy"', f'"{name}"'))
        bench = Bench(tmp_path / f"bench-{name}", folder)
        toy.write(bench.inbox / "a.log", toy.stretch(toy.T0, 10))
        bench.scan()
        view = bench.ask("SELECT DISTINCT \"view\" FROM roles WHERE role = 'pack_voltage'")[0][0]
        assert bench.ask(f"SELECT count(*) FROM {view}") == [(100,)]
