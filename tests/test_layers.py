"""Who may import whom, in both packages; read from the source, so that an import inside a function counts too."""

from __future__ import annotations

import ast
import importlib.util
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parent.parent

# From the ground up: a module may import those of its own layer and of the layers below, never one above.
LAYERS: tuple[tuple[str, ...], ...] = (
    ("errors", "files", "units", "quantities", "tomlsource", "spreadsheet", "datasheet", "longcolumns", "heap", "ownfolder"),
    ("log", "pack", "pack_temperature", "pack_correction", "instrument", "signals", "averaging", "nonnegative", "propagation"),
    ("readers", "pieces", "endreasons", "steps"),
    ("measures",),
    ("uncertainty",),
    ("findings", "conduct", "grouptable", "sensors", "resistancetable", "incrementaltable", "temperaturetable", "resttable", "circuittable", "powertable", "chargesheet", "efficiencysheet", "cutoffsheet", "trendsheet", "groupbudgets"),
    ("taken", "difference", "curvedifference", "criteria_pack", "criteria_groups", "criteria_before", "criteria_quantities", "criteria", "settle", "verdict"),
    ("analysis",),
    ("repair",),
    ("plan", "matching"),
    ("compare", "record"),
    ("chain", "migrations", "server", "database", "storage", "register_rows", "columns_memory", "corrections", "packcard", "jobbook", "register_list", "register", "chaincheck", "servercopy"),
    ("custody", "proof", "workflow", "issuing", "reanalysis", "export", "standing", "history", "whose", "watchfolder", "intake", "watching", "batchwork", "crews", "batch", "jobsteps", "jobsheet", "plansource", "users"),
    ("simulator",),
    ("demo", "terminal", "tables", "cardtables", "measure_tables", "detail_tables", "comparison_table", "optiontables", "sheettables"),
    ("commands", "cli", "__main__"),
)
# Pairs of one layer that must not know each other, besides the order above.
FORBIDDEN = {("readers", "steps"), ("steps", "readers"), ("pack", "log"), ("log", "pack"), ("compare", "record"), ("record", "compare"), ("proof", "register"), ("proof", "database"), ("proof", "workflow")}
# The simulator makes the logs that the analysis is held against: it must not share its physics.
SIMULATOR_MAY = {"errors", "simulator"}

# Packages from elsewhere, and the modules that may use them. Everything else is the standard library.
ELSEWHERE = {
    "numpy": {
        "longcolumns", "log", "readers", "signals", "pieces", "endreasons", "steps", "measures", "uncertainty", "findings", "conduct", "grouptable", "sensors", "resistancetable", "incrementaltable", "temperaturetable", "analysis", "record",
        "simulator", "export", "resttable", "circuittable", "powertable", "standing", "history", "trendsheet", "averaging", "nonnegative", "propagation", "curvedifference", "repair", "plan", "matching",
    },
    "pandas": {"export"},
    "pyarrow": {"export", "readers"},
    "charset_normalizer": {"readers"},
    "scipy": {"measures", "uncertainty", "readers", "simulator", "repair", "plan", "matching"},
    "tsdownsample": {"record"},
    "jinja2": {"record", "jobsheet", "plan"},
    "markupsafe": {"record", "jobsheet", "plan"},
    "reportlab": {"record"},
    "PIL": {"record"},
    "segno": {"record"},
    "sqlalchemy": {"chain", "migrations", "server", "database", "register_rows", "columns_memory", "corrections", "packcard", "jobbook", "register_list", "register", "chaincheck", "servercopy"},
    "platformdirs": {"ownfolder", "proof"},
    "cryptography": {"proof"},
    "rfc8785": {"proof", "chain"},
    "rich": {"terminal", "tables", "cardtables", "comparison_table", "optiontables", "sheettables", "commands"},
    "click": {"commands", "cli"},
    "waitress": {"commands"},
    "distributed": {"crews"},
    "werkzeug": {"users"},
}
# What the start of the command must not load. Each takes longer than the whole of `cycler --help` may.
HEAVY = ("numpy", "pandas", "pyarrow", "scipy", "plotly", "dash", "reportlab", "sqlalchemy", "jinja2", "rich", "waitress", "cryptography", "rfc8785", "segno", "PIL", "werkzeug", "distributed")


def modules(package):
    return sorted(path for path in (PROJECT / package).rglob("*.py"))


def imports_of(path):
    """Every module named in an import of a file, dotted, with its line."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            for name in node.names:
                yield name.name, node.lineno
        elif isinstance(node, ast.ImportFrom):
            if node.level:
                assert path.is_relative_to(PROJECT / "tests"), f"{path}:{node.lineno}: relative import"
                continue
            yield node.module, node.lineno
            for name in node.names:
                yield f"{node.module}.{name.name}", node.lineno


def part_of(path, package="cycler"):
    """Name in the table: the first part of the module below its package."""
    return path.relative_to(PROJECT / package).parts[0].removesuffix(".py")


RANK = {name: rank for rank, layer in enumerate(LAYERS) for name in layer}


def own_imports(path):
    for name, line in imports_of(path):
        parts = name.split(".")
        if parts[0] == "cycler" and len(parts) > 1 and parts[1] in RANK:
            yield parts[1], line


def test_every_module_has_its_place_in_the_table():
    found = {part_of(path) for path in modules("cycler")} - {"__init__"}
    assert found <= set(RANK), f"add to LAYERS: {sorted(found - set(RANK))}"


@pytest.mark.parametrize("path", modules("cycler"), ids=lambda path: str(path.relative_to(PROJECT)))
def test_module_imports_only_from_below(path):
    part = part_of(path)
    if part == "__init__":
        return
    wrong = [
        f"line {line}: {other}" for other, line in own_imports(path)
        if RANK[other] > RANK[part] or (part, other) in FORBIDDEN or (part == "simulator" and other not in SIMULATOR_MAY)
    ]
    assert not wrong


@pytest.mark.parametrize("path", modules("cycler"), ids=lambda path: str(path.relative_to(PROJECT)))
def test_module_uses_only_the_packages_it_may(path):
    part = part_of(path)
    wrong = []
    for name, line in imports_of(path):
        top = name.split(".")[0]
        if top in sys.stdlib_module_names or top == "cycler":
            continue
        if top == "dashboard":  # the one door to the pages: the command that serves them
            if path != PROJECT / "cycler/commands/serving.py":
                wrong.append(f"line {line}: {name}")
        elif part not in ELSEWHERE.get(top, ()):
            wrong.append(f"line {line}: {name}")
    assert not wrong


# A ratio of two capacities takes the results of the other module, not its arithmetic; capacity takes what counters tell of gaps,
# temperatures which intervals between readings are sampling.
MEASURES_MAY = {("thermal", "sensors"), ("peaks", "incremental"), ("efficiency", "capacity"), ("bridging", "counters"), ("capacity", "counters"), ("capacity", "bridging"), ("capacity", "fullness"), ("charging", "capacity"), ("charging", "knee"), ("cutoffs", "capacity")}


def test_measures_do_not_import_each_other_but_the_integrator():
    wrong = []
    for path in modules("cycler/measures"):
        for name, line in imports_of(path):
            parts = name.split(".")
            if parts[:2] == ["cycler", "measures"] and len(parts) > 2 and parts[2] != "integrate":
                if (path.stem, parts[2]) in MEASURES_MAY:
                    continue
                wrong.append(f"{path.name}:{line}: {name}")
    assert not wrong


def test_figures_of_the_dashboard_know_no_dash_and_only_the_door_knows_the_register():
    wrong = []
    for path in modules("dashboard"):
        for name, line in imports_of(path):
            top = name.split(".")[0]
            in_figures = path.is_relative_to(PROJECT / "dashboard/figures")
            if in_figures and top in ("dash", "flask"):
                wrong.append(f"{path.name}:{line}: {name}")
            if name.startswith(("cycler.register", "cycler.database", "cycler.workflow")) and not (
                path.name == "data.py" or path.parent.name == "door"
            ):
                wrong.append(f"{path.name}:{line}: {name}")
            if top in ("sqlalchemy", "pandas", "reportlab", "scipy"):
                wrong.append(f"{path.name}:{line}: {name}")
    assert not wrong


def test_no_plotting_library_that_shares_the_import_name():
    # It would bring another package called cycler along and shadow this one.
    assert importlib.util.find_spec("matplotlib") is None
    for package in ("cycler", "dashboard", "tests"):
        for path in modules(package):
            assert not [name for name, _line in imports_of(path) if name.split(".")[0] == "matplotlib"], path


def test_start_of_the_command_loads_nothing_heavy():
    code = f"import sys; import cycler.cli; print([name for name in {HEAVY!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], cwd=PROJECT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_public_names_load_lazily_and_are_all_there():
    import cycler

    for name in ("read_log", "analyze", "load_pack", "load_criteria", "Log", "Pack", "InputError", "__version__"):
        assert getattr(cycler, name) is not None and name in dir(cycler)
    with pytest.raises(AttributeError, match="no_such_name"):
        cycler.no_such_name  # noqa: B018


def test_version_is_that_of_the_distribution():
    import cycler

    project = tomllib.loads((PROJECT / "pyproject.toml").read_text())["project"]
    assert (cycler.__version__, cycler.__distribution__) == (project["version"], project["name"])


@pytest.mark.parametrize("package", ["cycler", "dashboard"])
def test_modules_are_short_enough_to_read(package):
    assert [str(path) for path in modules(package) if len(path.read_text(encoding="utf-8").splitlines()) > 600] == []


def test_start_foreign_package_of_the_same_name_is_told_in_one_line(tmp_path):
    """An installed package that shadows ours must give a message, not a traceback."""
    (tmp_path / "cycler").mkdir()
    (tmp_path / "cycler" / "__init__.py").write_text("def cycler(): ...\n", encoding="utf-8")
    code = (
        f"import sys; sys.path[:0] = [{str(tmp_path)!r}, {str(PROJECT)!r}]; sys.argv = ['cycler', '--help']; "
        "from dashboard.start import main; main()"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=tmp_path, check=False)
    assert done.returncode == 2
    assert done.stdout == "" and done.stderr.count("\n") == 1
    assert "not this program's" in done.stderr and "Traceback" not in done.stderr
