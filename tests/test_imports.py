"""Architecture: imports point one way, files stay readable, and `--help` stays light."""

from __future__ import annotations

import ast
import subprocess
import sys
from fnmatch import fnmatch
from pathlib import Path

import pytest

SOURCE = Path(__file__).resolve().parent.parent / "src" / "socband"
MODULES = sorted(SOURCE.rglob("*.py"))
MOST_LINES = 400
# Longer than that and why: nothing so far may be here without a reason.
LONGER: dict[str, int] = {}

# read -> simulate -> condition -> ask -> show; see DEVELOPERS.md, "One way through the house".
# What stands nowhere here asks a question.
STAGES: dict[str, tuple[str, ...]] = {
    "words": ("errors",),
    "read": (
        *("toml_file", "distributions", "quantity", "tabulated", "site*", "log*", "layouts"),
        *("models*", "shelf", "open_sets"),
    ),
    "simulate": (
        *("cell", "kernels*", "bank", "monitor*", "demand", "unknowns", "causes*", "sources"),
    ),
    "condition": (
        *("track", "evidence", "posterior*", "prior_of_log", "since_full", "snapshot*", "balance"),
        *("smoother", "seen_loads", "pulled"),
    ),
    "results": ("summary", "scoring", "executors"),
    "baselines": ("estimators*",),
    "ask": (),
    "show": ("plots*", "report*", "*_report", "page*"),
    "command": ("cli*", "__main__"),
}
ORDER = list(STAGES)


def name_of(path: Path) -> str:
    """`estimators.ekf` for src/socband/estimators/ekf.py; "" for the package itself."""
    parts = path.relative_to(SOURCE).with_suffix("").parts
    return ".".join(part for part in parts if part != "__init__")


def every_import(path: Path) -> set[tuple[str, str]]:
    """(module, name) that a file imports, within functions too; name "" for a whole module.

    What only types need is no import.
    """
    found: set[tuple[str, str]] = set()

    def visit(node: ast.AST) -> None:
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.If) and "TYPE_CHECKING" in ast.dump(child.test):
                for other in child.orelse:
                    visit(other)
            elif isinstance(child, ast.ImportFrom) and child.level == 0:
                found.update((child.module or "", alias.name) for alias in child.names)
            elif isinstance(child, ast.Import):
                found.update((alias.name, "") for alias in child.names)
            else:
                visit(child)

    visit(ast.parse(path.read_text(encoding="utf-8")))
    return found


def imports_of(path: Path) -> set[str]:
    """Modules of the package that a file imports."""
    names = {name_of(other) for other in MODULES}
    found: set[str] = set()
    for module, name in every_import(path):
        package, _, base = module.partition(".")
        if package == "socband":
            full = f"{base}.{name}".strip(".")
            found.add(full if full in names else base)
    return found - {"", name_of(path)}


GRAPH = {name_of(path): imports_of(path) for path in MODULES if name_of(path)}


def test_the_test_sees_imports() -> None:
    """Otherwise the rules below would hold for any code."""
    assert "evidence" in GRAPH["posterior"]
    assert "report" in GRAPH["cli_owner"]  # inside a function
    drawing = MODULES[[name_of(path) for path in MODULES].index("plots")]
    assert ("matplotlib.figure", "Figure") in every_import(drawing)
    assert len(GRAPH) > 20


def test_no_circle() -> None:
    """Not even one that is hidden inside functions."""
    done: set[str] = set()

    def follow(name: str, way: tuple[str, ...]) -> None:
        assert name not in way, " -> ".join((*way[way.index(name) :], name))
        if name in done:
            return
        for other in sorted(GRAPH.get(name, ())):
            follow(other, (*way, name))
        done.add(name)

    for name in GRAPH:
        follow(name, ())


def stage_of(name: str) -> str:
    head = name.split(".")[0]
    for stage, patterns in STAGES.items():
        if any(fnmatch(head, pattern) for pattern in patterns):
            return stage
    return "ask"


def test_imports_point_one_way() -> None:
    """A later stage imports an earlier one, never the other way round."""
    wrong = [
        f"{name} ({stage_of(name)}) imports {other} ({stage_of(other)})"
        for name, others in GRAPH.items()
        for other in sorted(others)
        if ORDER.index(stage_of(other)) > ORDER.index(stage_of(name))
    ]
    assert wrong == []


def test_who_computes_does_not_print_and_who_draws_does_not_compute() -> None:
    """No matplotlib outside plots and the command; no print outside cli and report."""
    for path in MODULES:
        name = name_of(path)
        text = path.read_text(encoding="utf-8")
        if stage_of(name) not in ("show", "command"):
            assert not [m for m, _ in every_import(path) if m.startswith("matplotlib")], name
        if not name.startswith(("cli", "report")) and "report" not in name:
            tree = ast.parse(text)
            # a `main` that is run by hand with `python -m` may say how
            tree.body = [node for node in tree.body if getattr(node, "name", "") != "main"]
            calls = [
                node
                for node in ast.walk(tree)
                if isinstance(node, ast.Call)
                and isinstance(node.func, ast.Name)
                and node.func.id == "print"
            ]
            assert not calls, name


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_a_file_fits_in_a_head(path: Path) -> None:
    lines = len(path.read_text(encoding="utf-8").splitlines())
    assert lines <= LONGER.get(name_of(path), MOST_LINES)


HEAVY = ("scipy.stats", "matplotlib", "xarray", "numba", "pandas", "filterpy")


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], ["tonight", "--help"]])
def test_help_imports_nothing_heavy(arguments: list[str]) -> None:
    """Looked up in sys.modules, not timed: each of these costs 150 to 600 ms."""
    code = (
        "import sys; from socband.cli import main\n"
        f"code = main({arguments!r})\n"
        f"heavy = [name for name in {HEAVY!r} if name in sys.modules]\n"
        "print('HEAVY', heavy); sys.exit(code)"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=120
    )
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip().endswith("HEAVY []")
