"""Imports point one way: a module imports its own row of the table in DEVELOPERS.md, or a row above it."""

import ast
import fnmatch
import re
from pathlib import Path

import simlap

PACKAGE = Path(simlap.__file__).parent
GUIDE = Path(__file__).parents[1] / "DEVELOPERS.md"
LEAST_ROWS = 12  # ground to invented data: fewer were read from something else than the table


def rows():
    """Patterns of module names per row of the table, in its order; `readers/` stands for all modules in it."""
    table = GUIDE.read_text(encoding="utf-8").split("## The way of the data", 1)[1].split("\n## ", 1)[0]
    found = [re.match(r"\| [a-z ]+ \| `([^`]+)` \|", line) for line in table.splitlines()]
    return [row.group(1).split() for row in found if row]


def row_of(module, table):
    """The row that names `module` (such as report/json) most closely, or None."""
    hits = [
        (len(pattern), number)
        for number, patterns in enumerate(table)
        for pattern in patterns
        if fnmatch.fnmatchcase(module, pattern + "*" if pattern.endswith("/") else pattern)
    ]
    return max(hits)[1] if hits else None


def modules():
    paths = {path.relative_to(PACKAGE).with_suffix("").as_posix(): path for path in PACKAGE.rglob("*.py")}
    return {name: path for name, path in paths.items() if not name.endswith("__init__")}


def imported(source):
    """Modules of the package that `source` imports when it is itself imported: not in a function, nor for types."""
    found = []
    for node in ast.parse(source).body:
        if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "simlap":
            inner = node.module.split(".")[1:]
            whole = ["/".join([*inner, alias.name]) for alias in node.names]
            found += [name for name in whole if name in modules()] or ["/".join(inner)]
        elif isinstance(node, ast.Import):
            found += ["/".join(a.name.split(".")[1:]) for a in node.names if a.name.startswith("simlap.")]
    return found


def against_the_table(sources, table):
    """Every import of `sources`, texts by module name, that points to a later row of `table`, in words."""
    return [
        f"{name} imports {other}"
        for name, source in sources.items()
        for other in imported(source)
        if other in modules() and row_of(other, table) > row_of(name, table)
    ]


def test_every_module_stands_in_the_table_and_every_name_of_the_table_is_a_module():
    table = rows()
    assert len(table) >= LEAST_ROWS
    assert [name for name in modules() if row_of(name, table) is None] == []
    patterns = [pattern for row in table for pattern in row]
    assert [p for p in patterns if not any(row_of(name, [[p]]) == 0 for name in modules())] == []
    assert len(set(patterns)) == len(patterns)


def test_no_module_imports_a_later_row_of_the_table():
    sources = {name: path.read_text(encoding="utf-8") for name, path in modules().items()}
    assert against_the_table(sources, rows()) == []


def test_an_import_against_the_table_is_seen_however_it_is_written():
    for line in ("from simlap.solver import Limits", "import simlap.solver", "from simlap import solver"):
        assert against_the_table({"units": line}, rows()) == ["units imports solver"]
    assert (
        against_the_table({"report/json": "from simlap.units import G", "solver": "import simlap.units"}, rows()) == []
    )
