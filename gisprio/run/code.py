"""Digests of gisprio's own code, for each stage the code that it can reach and no more.

Code is read as syntax trees: comments, blank lines and docstrings do not count. What a function reaches is followed
name by name: a stage that takes one constant out of a module hangs on that constant alone, and a formula two imports
away counts wherever it is called. A module's loose statements (calls at its top level) count with each of its names.
"""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import get_args

from gisprio.contracts.cards import Stage
from gisprio.contracts.sections import Section
from gisprio.contracts.settings import Settings
from gisprio.contracts.shipped import shipped, shipped_folders, shipped_names
from gisprio.run.fingerprints import text_digest
from gisprio.run.stages import FACTOR_TABLES, layer_name

Name = tuple[str, str]
"""A module and a name at its top level; the name ``*`` stands for all of them."""

PACKAGE = "gisprio"
EVERY = "*"
OF_ALL_STAGES: tuple[Name, ...] = (
    ("gisprio.contracts.grids", EVERY),
    ("gisprio.contracts.schema", "check"),
)
"""What every stage meets without naming it."""
OF_FACTOR_TABLES: tuple[Name, ...] = (("gisprio.compute.factors", EVERY),)
"""What gives a table the columns of the factors."""
OF_PIECES: tuple[Name, ...] = (("gisprio.run.pieces", EVERY), ("gisprio.run.tiles", EVERY))
OF_SOURCES: tuple[Name, ...] = (
    ("gisprio.inputs.rasters", EVERY),
    ("gisprio.inputs.cover_polygons", EVERY),
    ("gisprio.inputs.surveys", EVERY),
    ("gisprio.inputs.warp", EVERY),
)
"""What stands behind a grid that is read from files."""
SETTINGS = "gisprio.contracts.settings"
LEAVES = frozenset({(SETTINGS, "Settings")})
"""Names that are not followed: of the settings a stage hangs on the sections it may read."""
SHIPPED = ("gisprio.contracts.shipped", "shipped")
SHIPPED_FOLDERS = ("curves", "legends", "stream_kinds", "setbacks")


@dataclass(slots=True)
class Module:
    """The top level of a module.

    Parameters
    ----------
    statements
        Statements by the names they bind; a name may be bound more than once.
    imports
        Local name to what was imported under it: module and name, or module and ``""``.
    loose
        Statements that bind no name.
    """

    statements: dict[str, list[ast.stmt]] = field(default_factory=dict)
    imports: dict[str, Name] = field(default_factory=dict)
    loose: list[ast.stmt] = field(default_factory=list)


class Code:
    """The code of a package, by module and name.

    Parameters
    ----------
    root
        Folder of the package ``gisprio``.
    """

    def __init__(self, root: Path) -> None:
        self._root = root
        self._modules: dict[str, Module | None] = {}
        self._own: dict[Name, tuple[str, tuple[Name, ...]]] = {}

    def digest(self, starts: Iterable[Name]) -> str:
        """Digest what can be reached from some names, themselves included."""
        return text_digest(
            " ".join(f"{module}:{name}={self._look(module, name)[0]}" for module, name in sorted(self.reached(starts)))
        )

    def reached(self, starts: Iterable[Name]) -> set[Name]:
        """Give the names that can be reached from some names, themselves included."""
        seen: set[Name] = set()
        waiting = list(starts)
        while waiting:
            at = waiting.pop()
            if at not in seen:
                seen.add(at)
                waiting += self._look(*at)[1]
        return seen

    def _look(self, name_of: str, name: str) -> tuple[str, tuple[Name, ...]]:
        """Give the digest of a name's own statements, and what they name."""
        key = (name_of, name)
        if key not in self._own:
            self._own[key] = self._read(name_of, name)
        return self._own[key]

    def _read(self, name_of: str, name: str) -> tuple[str, tuple[Name, ...]]:
        module = self._module(name_of)
        if module is None or (name_of, name) in LEAVES:
            return "", ()
        if name == EVERY:
            return "", tuple((name_of, each) for each in [*module.statements, *module.imports, ""])
        if name and name not in module.statements:
            return self._imported(module, name_of, name)
        digests: list[str] = []
        named: set[Name] = set()
        for statement in module.statements[name] if name else module.loose:
            nodes = list(ast.walk(statement))
            named.update(self._named(module, name_of, nodes))
            drop_docstrings(nodes)
            digests.append(ast.dump(statement))
        return text_digest(" ".join(digests)), (*sorted(named), (name_of, ""))

    def _imported(self, module: Module, name_of: str, name: str) -> tuple[str, tuple[Name, ...]]:
        """Follow a name that the module itself imports, or that is a module below it."""
        if name in module.imports:
            return "", (self._meant(*module.imports[name]),)
        if self._module(f"{name_of}.{name}") is not None:
            return "", ((f"{name_of}.{name}", EVERY),)
        return "", ()

    def _meant(self, module: str, name: str) -> Name:
        below = f"{module}.{name}"
        return (below, EVERY) if name and self._module(below) is not None else (module, name or EVERY)

    def _named(self, module: Module, name_of: str, nodes: Sequence[ast.AST]) -> Iterator[Name]:
        """Give what a statement names: of its own module, by an import of the module, or by an import inside it."""
        imports = module.imports | imports_of(nodes)
        attributes = {
            id(node.value): node.attr
            for node in nodes
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name)
        }
        for node in nodes:
            if not isinstance(node, ast.Name):
                continue
            if node.id in imports:
                target = self._meant(*imports[node.id])
                yield (target[0], attributes.get(id(node), EVERY)) if target[1] == EVERY else target
            elif node.id in module.statements:
                yield name_of, node.id

    def _module(self, name: str) -> Module | None:
        if name not in self._modules:
            path = self._path(name)
            self._modules[name] = None if path is None else read_module(ast.parse(path.read_bytes()))
        return self._modules[name]

    def _path(self, name: str) -> Path | None:
        if name != PACKAGE and not name.startswith(f"{PACKAGE}."):
            return None
        place = self._root.joinpath(*name.split(".")[1:])
        found = (path for path in (place / "__init__.py", place.with_suffix(".py")) if path.is_file())
        return next(found, None)


def read_module(tree: ast.Module) -> Module:
    """Sort the statements of a module by the names they bind."""
    module = Module()
    for statement in tree.body:
        imports = imports_of([statement])
        module.imports.update(imports)
        bound = names_bound(statement)
        for name in bound:
            module.statements.setdefault(name, []).append(statement)
        if not bound and not imports and not is_docstring(statement):
            module.loose.append(statement)
            module.imports.update(imports_of(ast.walk(statement)))
    return module


def imports_of(nodes: Iterable[ast.AST]) -> dict[str, Name]:
    """Give what is imported from gisprio among some nodes: local name to module and name."""
    found: dict[str, Name] = {}
    for node in nodes:
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == PACKAGE:
            found.update({alias.asname or alias.name: (node.module, alias.name) for alias in node.names})
        elif isinstance(node, ast.Import):
            own = [alias for alias in node.names if alias.name.split(".")[0] == PACKAGE]
            found.update({alias.asname or PACKAGE: (alias.name if alias.asname else PACKAGE, "") for alias in own})
    return found


def names_bound(statement: ast.stmt) -> list[str]:
    """Give the names a statement binds at the top level of a module, also below ``if`` and ``try``."""
    if isinstance(statement, (ast.FunctionDef, ast.ClassDef, ast.AsyncFunctionDef)):
        return [statement.name]
    if isinstance(statement, (ast.Import, ast.ImportFrom, ast.Expr)):
        return []
    return list(
        dict.fromkeys(
            node.id for node in ast.walk(statement) if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Store)
        )
    )


def is_docstring(statement: ast.stmt) -> bool:
    """Say whether a statement is a text that stands alone."""
    return (
        isinstance(statement, ast.Expr)
        and isinstance(statement.value, ast.Constant)
        and isinstance(statement.value.value, str)
    )


def drop_docstrings(nodes: Iterable[ast.AST]) -> None:
    """Take the docstrings out of the functions and classes among some nodes."""
    for node in nodes:
        if isinstance(node, (ast.FunctionDef, ast.ClassDef, ast.AsyncFunctionDef)):
            node.body = [each for each in node.body if not is_docstring(each)]


def starts_of(stage: Stage, rasters: Iterable[str]) -> list[Name]:
    """Give the names a stage's code is followed from.

    Parameters
    ----------
    stage
        A row of the stage table.
    rasters
        Names of grids that are read from files.
    """
    module, function = stage.function.split(":")
    starts: list[Name] = [(module, function), *OF_ALL_STAGES]
    starts += [("gisprio.contracts.layers", layer_name(table)) for table in stage.writes]
    starts += [(SETTINGS, name) for section in stage.sections for name in section_classes(section)]
    starts += OF_FACTOR_TABLES if set(stage.writes) & set(FACTOR_TABLES) else ()
    starts += OF_PIECES if stage.scope == "piece" else ()
    return [*starts, *(OF_SOURCES if set(stage.sources) & set(rasters) else ())]


def section_classes(section: str) -> list[str]:
    """Name the classes that a section of the settings is made of.

    >>> section_classes("works"), section_classes("factor"), section_classes("setback")[0]
    (['Works'], ['OwnFactor'], 'FixedWidth')
    """
    return [of.__name__ for of in _parts_of(Settings.model_fields[section].annotation) if issubclass(of, Section)]


def _parts_of(kind: object) -> Iterator[type]:
    """Give the classes in a type, such as those of a union."""
    if isinstance(kind, type) and not get_args(kind):
        yield kind
    for part in get_args(kind):
        yield from _parts_of(part)


def stage_digests(stages: Sequence[Stage], rasters: Iterable[str], root: Path | None = None) -> Mapping[str, str]:
    """Digest the code of each stage.

    Parameters
    ----------
    stages
        The stage table.
    rasters
        Names of grids that are read from files.
    root
        Folder of the package; gisprio's own when absent.

    Returns
    -------
    Mapping
        Stage to digest. Tables that come with gisprio count for the stages that may read them.
    """
    code, rasters = code_below(root or Path(__file__).resolve().parent.parent), list(rasters)
    found = {}
    for stage in stages:
        starts = starts_of(stage, rasters)
        reads_shipped = SHIPPED in code.reached(starts)
        found[stage.name] = text_digest(f"{code.digest(starts)} {shipped_digest() if reads_shipped else ''}")
    return found


@cache
def code_below(root: Path) -> Code:
    """Read the code below a folder once: a process goes on with the code it began with."""
    return Code(root)


@cache
def shipped_digest() -> str:
    """Digest the tables that come with gisprio: curves, legends, kinds of streams, rules."""
    there = {folder.rstrip("/") for folder in shipped_folders()}
    names = [name for folder in SHIPPED_FOLDERS if folder in there for name in shipped_names(folder)]
    return text_digest(" ".join(f"{name} {text_digest(shipped(name).read_text('utf-8'))}" for name in names))
