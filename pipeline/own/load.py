"""Own rules and metrics loaded: here their code runs. One that cannot be used is told by its name and stops nothing.

own = own_of(store)
judge(record, own.judging_rules()); measure(session, signals, profile, own.sets)
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import lru_cache
from importlib import import_module
from pathlib import Path
from types import ModuleType

from herdbook.pipeline.health.rule import Rule
from herdbook.pipeline.health.rules import all_rules
from herdbook.pipeline.metrics import all_sets
from herdbook.pipeline.metrics.set import MetricSet
from herdbook.pipeline.own.files import NOTHING, PREFIX, OwnFiles, not_safe, own_files
from herdbook.pipeline.own.form import rule_lacks, set_lacks
from herdbook.pipeline.own.guard import guarded, guarded_set, in_short, unusable
from herdbook.pipeline.store.store import Store
from herdbook.pipeline.vehicle.chemistry import ChemistryError, load_chemistry


@dataclass(frozen=True, slots=True)
class Broken:
    """A file or entry point that is not used. kind: rule, metric set, chemistry or package."""

    kind: str
    name: str
    where: str
    why: str

    @property
    def words(self) -> str:
        """For the night and for `herdbook doctor`, without a full stop."""
        return f"own {self.kind} {self.name} ({self.where}) is not used: {self.why}".rstrip(". ")


@dataclass(frozen=True)
class Own:
    """Of one store. rules, sets: guarded, by id. as_written: the same rules without guard, for their own cases.
    origins: of rules and sets, in words. modules: what each was found in, by id. measuring, judging: see OwnFiles."""

    rules: Mapping[str, Rule] = field(default_factory=dict)
    sets: Mapping[str, MetricSet] = field(default_factory=dict)
    as_written: Mapping[str, Rule] = field(default_factory=dict)
    chemistries: tuple[Path, ...] = ()
    broken: tuple[Broken, ...] = ()
    origins: Mapping[str, str] = field(default_factory=dict)
    modules: Mapping[str, ModuleType] = field(default_factory=dict)
    measuring: str = ""
    judging: str = ""

    def judging_rules(self) -> dict[str, Rule]:
        """Every rule that judges in this store by its id: ours, its own, and a stand-in for each that cannot be used,
        so that a vehicle's page says so."""
        stand_ins = [unusable(b.name, b.why) for b in self.broken if b.kind != "chemistry"]
        return {**all_rules(), **self.rules, **{r.id: r for r in stand_ins if r.id not in self.rules}}


NO_OWN = Own()


def own_of(store: Store) -> Own:
    """What is the store's own, loaded once a process while its files stay as they are. Raises: SettingsError for a
    table [own] that makes no sense."""
    files = own_files(store)
    return NO_OWN if files == NOTHING else load(files)


@lru_cache(maxsize=4)
def load(files: OwnFiles) -> Own:
    """Metric sets first: rules need their names. Nothing that the files do is an error of ours."""
    broken: list[Broken] = []
    rules: dict[str, Rule] = {}
    sets: dict[str, MetricSet] = {}
    origins: dict[str, str] = {}
    modules: dict[str, ModuleType] = {}
    found = list(_found(files, broken))
    for kind, name, where, origin, module in [x for k in ("metric set", "rule") for x in found if x[0] == k]:
        thing = getattr(module, "RULE" if kind == "rule" else "SET", None)
        if why := _refused(thing, kind, name, rules, sets):
            broken.append(Broken(kind, name, where, why))
            continue
        version = f"{origin}, version {thing.version}"  # type: ignore[union-attr]
        if isinstance(thing, Rule):
            rules[thing.id] = thing
        elif isinstance(thing, MetricSet):
            sets[thing.id] = thing
        origins[name], modules[name] = version, module
    for path in files.chemistries:
        try:
            load_chemistry(path)
        except ChemistryError as error:
            broken.append(Broken("chemistry", path.name, _beside(path, files), str(error)))
    good = tuple(p for p in files.chemistries if p.name not in {b.name for b in broken if b.kind == "chemistry"})
    return Own(
        rules={name: guarded(rule, origins[name]) for name, rule in rules.items()},
        sets={name: guarded_set(one) for name, one in sets.items()},
        as_written=rules,
        chemistries=good,
        broken=tuple(broken),
        origins=origins,
        modules=modules,
        measuring=files.measuring,
        judging=files.judging,
    )


def _refused(thing: object, kind: str, name: str, rules: Mapping[str, Rule], sets: Mapping[str, MetricSet]) -> str:
    """Why what a module holds cannot be used; "" when it can."""
    try:
        if kind == "rule":
            if not isinstance(thing, Rule):
                return "it ends in no RULE = Rule(...)"
            metrics = {n for s in (*all_sets().values(), *sets.values()) for n in s.gives}
            lacks, taken = rule_lacks(thing, metrics), thing.id in rules
        else:
            if not isinstance(thing, MetricSet):
                return "it ends in no SET = MetricSet(...)"
            mine = {n for s in sets.values() for n in s.gives}
            lacks, taken = set_lacks(thing), thing.id in sets or bool(mine & set(thing.gives))
        if thing.id != name:
            return f"it calls itself {thing.id!r}; use the file's name, {name!r}"
        return "its id, or a name it gives, is taken by another one" if taken else next(lacks, "")
    except Exception as error:
        return f"it has not the form that it must have: {in_short(error)}"


def _found(files: OwnFiles, broken: list[Broken]) -> Iterator[tuple[str, str, str, str, ModuleType]]:
    """(kind, name, where, origin in words, module) of everything that could be imported; the rest goes into broken."""
    for kind, folder, paths in (("metric set", "metrics", files.metrics), ("rule", "rules", files.rules)):
        for path in paths:
            name, where = path.stem, _beside(path, files)
            assert files.folder is not None
            if why := _not_named_so(name) or not_safe(path, files.folder):
                broken.append(Broken(kind, name, where, why))
                continue
            module = _imported(f"{_root(files)}.{folder}.{name}", kind, name, where, broken)
            if module is not None:
                yield kind, name, where, f"own {kind}", module
    for package in files.packages:
        if not package.version:
            broken.append(Broken("package", package.name, "[own] packages", "no package of this name is installed"))
        for point in package.points:
            origin = f"of the package {package.name} {package.version}"
            where = f"{package.name}: {point.value}"
            module = _imported(point.value, "package", point.name, where, broken)
            for kind, holds in (("metric set", "SET"), ("rule", "RULE")):
                thing = getattr(module, holds, None)
                if module is not None and thing is not None:
                    yield kind, str(getattr(thing, "id", point.name)), where, f"{kind} {origin}", module


def _not_named_so(name: str) -> str:
    return "" if name.startswith(PREFIX) and name.isidentifier() else f"name the file {PREFIX}NAME.py, as its id"


def _imported(module: str, kind: str, name: str, where: str, broken: list[Broken]) -> ModuleType | None:
    try:
        with _no_bytecode():
            return import_module(module)
    except KeyboardInterrupt:
        raise
    except SyntaxError as error:
        broken.append(Broken(kind, name, where, f"line {error.lineno} is no Python: {error.msg}"))
    except BaseException as error:  # a file that ends the program, too
        broken.append(Broken(kind, name, where, f"it cannot be imported: {in_short(error)}"))
    return None


def _root(files: OwnFiles) -> str:
    """The package under which a folder's files import each other (`from ._shared import ...`), made once for a folder
    in a state: another state is another package."""
    name = f"herdbook_own_{files.judging[:16]}"
    if name not in sys.modules:
        made = ModuleType(name, "Somebody's own rules and metrics.")
        made.__path__ = [str(files.folder)]
        sys.modules[name] = made
    return name


@contextmanager
def _no_bytecode() -> Iterator[None]:
    """Nothing is written into somebody's folder."""
    before, sys.dont_write_bytecode = sys.dont_write_bytecode, True
    try:
        yield
    finally:
        sys.dont_write_bytecode = before


def _beside(path: Path, files: OwnFiles) -> str:
    """A file's place as its owner knows it: own/rules/own_x.py."""
    return f"{files.folder.name}/{path.relative_to(files.folder).as_posix()}" if files.folder else path.name
