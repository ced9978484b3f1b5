"""The house stands: imports go down only, libraries come in by their doors, help is quick."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from fnmatch import fnmatch
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGE = ROOT / "calib"
MODULES = sorted(path for path in PACKAGE.rglob("*.py"))
# Higher floors may import lower ones; rooms on one floor (the wings, chart and table) may not meet.
FLOORS = {"errors": 0, "kinds": 0, "overlays": 0, "staging": 0, "files": 1, "plainjson": 1.5, "colour": 2, "chart": 3, "table": 3, "scan": 4, "answers": 4,
          "synthetic": 4, "report": 5, "demo": 6, "cli": 7, "__main__": 8}  # fmt: skip
PICTURES = ("imagecodecs", "tifffile", "PIL", "pikepdf", "pillow_heif", "pypdfium2")
# Which modules are the door of which library; nobody else may import it.
DOORS = {
    "fpdf": ["chart/page.py"],
    "jinja2": ["report/*"],
    "markupsafe": ["report/*"],
    "matplotlib": ["report/*"],
    "click": ["cli/*"],
    "colour": ["synthetic/*"],
    "wcwidth": ["cli/lines.py"],
    **{name: ["scan/image.py", "scan/formats/*", "synthetic/*"] for name in PICTURES},
    # The proof picture is written on with the chart's own fonts, which no other library here can do.
    "imagecodecs": ["scan/image.py", "scan/formats/*", "scan/profile.py", "synthetic/*"],
    "PIL": ["scan/image.py", "scan/formats/*", "scan/profile.py", "scan/proofpage.py", "synthetic/*"],
}
HEAVY = {"numpy", "scipy", "cv2", "colour", "sklearn", "fpdf", "pandas", "matplotlib", "jinja2", *PICTURES}


def imports(tree: ast.AST) -> Iterator[str]:
    """Yield the full name of everything a module imports, also inside its functions."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "a relative import hides where it leads"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def inside(path: Path) -> Path:
    return path.relative_to(PACKAGE)


def parse(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), str(path))


def faults(where: Path, tree: ast.AST) -> Iterator[str]:
    """Yield every import that a module at where (relative to the package) may not have."""
    room = where.parts[0].removesuffix(".py")
    for name in imports(tree):
        top, *rest = name.split(".")
        if top == "calib":
            other = rest[0] if rest else "__init__"
            same = other == room and len(where.parts) > 1
            # The bare version number stands below everything.
            if other in ("__version__", "__init__") or same:
                continue
            if not FLOORS.get(other, 99) < FLOORS.get(room, -1):
                yield f"{where} imports {name}, which is not below it"
        elif top in DOORS and not any(fnmatch(where.as_posix(), door) for door in DOORS[top]):
            yield f"{where} imports {top}, whose door is {' or '.join(DOORS[top])}"


@pytest.mark.parametrize(
    "path", [p for p in MODULES if p.parent != PACKAGE or p.name != "__init__.py"], ids=inside
)
def test_imports_go_down_and_libraries_come_by_their_doors(path: Path) -> None:
    assert list(faults(inside(path), parse(path))) == []


@pytest.mark.parametrize(
    ("where", "line"),
    [
        ("colour/dose.py", "from calib.scan.patch import film"),
        ("scan/measure.py", "from calib.synthetic import hand"),
        ("table/table.py", "import calib.chart.layout"),
        ("chart/page.py", "def f():\n    from calib.table.flags import FLAGS"),
        ("errors.py", "from calib.files import shorten"),
        ("demo.py", "from calib.cli.main import main"),
        ("table/table.py", "import click"),
        ("scan/tone.py", "import colour"),
        ("scan/frame.py", "from PIL import Image"),
    ],
)
def test_a_wrong_import_is_noticed(where: str, line: str) -> None:
    assert len(list(faults(Path(where), ast.parse(line)))) == 1


def circle(graph: dict[str, set[str]]) -> list[str]:
    """Return the nodes that stand in a circle, or can reach one: what is left without leaves."""
    left = {node: set(graph[node]) for node in graph}
    while leaves := [node for node in left if not left[node] & left.keys()]:
        for leaf in leaves:
            del left[leaf]
    return sorted(left)


def test_no_folder_has_a_circle() -> None:
    names = {".".join(("calib", *inside(path).with_suffix("").parts)): path for path in MODULES}
    found = {name: [f"{each}." for each in imports(parse(path))] for name, path in names.items()}
    graph = {
        name: {other for other in names for each in found[name] if each.startswith(f"{other}.")}
        for name in names
    }
    assert circle(graph) == []
    assert circle({"a": {"b"}, "b": {"c"}, "c": {"b"}, "d": set()}) == ["a", "b", "c"]


@pytest.mark.parametrize("path", [p for p in MODULES if p.name == "__init__.py"], ids=inside)
def test_init_exports_nothing(path: Path) -> None:
    body = parse(path).body
    assert ast.get_docstring(parse(path))
    for node in body[1:]:
        assert isinstance(node, ast.Assign)
        assert isinstance(node.targets[0], ast.Name)
        assert node.targets[0].id == "__version__"


@pytest.mark.parametrize("path", MODULES, ids=inside)
def test_modules_are_named_and_small(path: Path) -> None:
    assert path.stem not in {"utils", "util", "common", "helpers", "misc"}
    assert ast.get_docstring(parse(path)), "a module says what it is"
    for node in ast.walk(parse(path)):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            # A command's parameters are its options, which the contract lists.
            if inside(path).parts[0].removesuffix(".py") == "cli" and node.decorator_list:
                continue
            arguments = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
            count = len([a for a in arguments if a.arg not in ("self", "cls")])
            assert count <= 7, f"{node.name} has {count} parameters"


@pytest.mark.parametrize(
    "path", [p for p in MODULES if inside(p).parts[0] not in ("cli", "__main__.py")], ids=inside
)
def test_only_the_command_line_speaks(path: Path) -> None:
    for node in ast.walk(parse(path)):
        if isinstance(node, ast.Call):
            assert ast.unparse(node.func) not in {"print", "exit", "quit", "sys.exit", "os._exit"}, (
                f"line {node.lineno}"
            )


@pytest.mark.parametrize(
    "words", [["--help"], ["--version"], ["flags", "--help"], ["measure", "--help"]], ids=" ".join
)
def test_help_loads_no_heavy_library(words: list[str]) -> None:
    code = (
        "import runpy, sys\n"
        f"sys.argv = ['calib', *{words!r}]\n"
        "try:\n    runpy.run_module('calib', run_name='__main__', alter_sys=True)\n"
        "except SystemExit as end:\n    assert not end.code, end.code\n"
        "print('LOADED', *sorted({name.split('.')[0] for name in sys.modules}))\n"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=False)
    assert run.returncode == 0, run.stderr
    loaded = set(run.stdout.splitlines()[-1].split())
    assert "click" in loaded
    assert loaded & HEAVY == set()
