"""The habits of the house: direction of imports, sizes, names, and what may load at start-up."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from statistics import median

import pytest

ROOT = Path(__file__).parent.parent
ORDER = (
    "recording", "signal", "engine", "events", "synthetic", "expected", "rarity", "suspects", "questions", "findings",
    "review", "mining", "library",
)  # fmt: skip
FOUNDATIONS = ("compiled", "errors", "files", "memory", "schema", "words")
HEAVY = ("numba", "sklearn", "scipy", "polars", "pandas", "pyarrow", "starlette", "uvicorn", "distributed", "numpy")
TOP_LEVEL = {
    ".ci", ".gitignore", "DEVELOPERS.md", "LICENSE", "Makefile", "README.md", "demo_recordings", "docs",
    "miner", "pipelines", "pyproject.toml", "tests",
}  # fmt: skip
MAX_MODULES = 14
"""A dozen modules or so and the folder's own word: what is read at one glance."""
MAX_LINES = 400
MAX_BODY = 60
MAX_KERNEL_BODY = 80
MAX_MEDIAN_BODY = 8

SOURCES = sorted(
    path for part in ("miner", "pipelines") for path in (ROOT / part).rglob("*.py") if "web" not in path.parts
)
ALL_PYTHON = sorted([*SOURCES, *(ROOT / "tests").rglob("*.py")])


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def tree_of(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


def imported(path: Path) -> Iterator[str]:
    """Yield every module imported anywhere in a file, also inside functions."""
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{name_of(path)}: relative import"
            yield node.module or ""
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def test_pipelines_run_one_way() -> None:
    """Show reads what a run left, the run knows nothing of how it is shown; the command line knows both."""
    wrong = [
        f"{name_of(path)} imports {module}"
        for path in (ROOT / "pipelines" / "overnight").rglob("*.py")
        for module in imported(path)
        if module.startswith("pipelines") and not module.startswith("pipelines.overnight")
    ]
    wrong += [
        f"{name_of(path)} imports {module}"
        for path in (ROOT / "pipelines" / "show").rglob("*.py")
        for module in imported(path)
        if module.startswith("pipelines") and not module.startswith(("pipelines.overnight", "pipelines.show"))
    ]
    assert not wrong, wrong


def may_import(package: str, module: str) -> bool:
    """Say whether a package of ``miner`` may import a module."""
    parts = module.split(".")
    if parts[0] == "pipelines":
        return False
    if parts[0] != "miner" or len(parts) == 1 or parts[1] in FOUNDATIONS:
        return True
    return parts[1] in ORDER[: ORDER.index(package) + 1]


def test_imports_point_to_the_left() -> None:
    wrong = [
        f"{name_of(path)} imports {module}"
        for package in ORDER
        for path in (ROOT / "miner" / package).rglob("*.py")
        for module in imported(path)
        if not may_import(package, module)
    ]
    assert not wrong, wrong


def test_direction_check_would_notice() -> None:
    assert may_import("signal", "miner.recording.reader")
    assert may_import("findings", "miner.errors")
    assert not may_import("signal", "miner.events.table")
    assert not may_import("review", "miner.mining.steps")
    assert not may_import("mining", "pipelines.command")


def test_every_package_of_miner_has_its_place() -> None:
    assert {p.parent.name for p in (ROOT / "miner").glob("*/__init__.py")} == set(ORDER)


def test_folders_are_small() -> None:
    sizes = Counter(name_of(path.parent) for path in SOURCES)
    too_large = {folder: n for folder, n in sizes.items() if n > MAX_MODULES}
    assert not too_large, too_large


def test_every_folder_says_what_it_is_for() -> None:
    folders = {path.parent for path in SOURCES}
    silent = [name_of(folder) for folder in folders if not ast.get_docstring(tree_of(folder / "__init__.py"))]
    assert not silent, silent


def test_foundations_import_no_stage() -> None:
    wrong = [
        module for name in FOUNDATIONS for module in imported(ROOT / "miner" / f"{name}.py")
        if module.startswith(("miner.", "pipelines")) and module.split(".")[1] not in FOUNDATIONS
    ]  # fmt: skip
    assert not wrong


def test_files_are_short() -> None:
    lengths = {name_of(path): len(path.read_text(encoding="utf-8").splitlines()) for path in ALL_PYTHON}
    too_long = {name: n for name, n in lengths.items() if n > MAX_LINES}
    assert not too_long, too_long


Function = ast.FunctionDef | ast.AsyncFunctionDef


def body_lines(function: Function) -> int:
    """Count the lines of a body, docstring left out."""
    body = function.body[1:] if ast.get_docstring(function) and len(function.body) > 1 else function.body
    return (body[-1].end_lineno or 0) - body[0].lineno + 1


def functions() -> Iterator[tuple[Path, Function]]:
    for path in SOURCES:
        for node in ast.walk(tree_of(path)):
            if isinstance(node, Function):
                yield path, node


def is_kernel(function: Function) -> bool:
    return any("jit" in ast.unparse(decorator) for decorator in function.decorator_list)


def test_functions_are_short() -> None:
    too_long = [
        f"{name_of(path)}: {function.name} has {body_lines(function)} lines"
        for path, function in functions()
        if body_lines(function) > (MAX_KERNEL_BODY if is_kernel(function) else MAX_BODY)
    ]
    assert not too_long, too_long
    assert median(body_lines(function) for _, function in functions()) <= MAX_MEDIAN_BODY


def exported(path: Path) -> list[str] | None:
    for node in tree_of(path).body:
        if isinstance(node, ast.Assign) and any(isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets):
            names: list[str] = ast.literal_eval(node.value)
            return names
    return None


@pytest.mark.parametrize("path", SOURCES, ids=name_of)
def test_module_says_what_it_offers(path: Path) -> None:
    names = exported(path)
    if path.name in ("__init__.py", "__main__.py") and names is None:
        return
    assert names is not None, "no __all__"
    assert len(set(names)) == len(names)
    assert names == sorted(names, key=lambda name: (not name.isupper(), not name[0].isupper(), name))
    assert set(names) <= set(defined(tree_of(path).body)), set(names) - set(defined(tree_of(path).body))


def test_a_public_name_means_one_thing() -> None:
    """But for the library, which offers under the same name what a program is to have of it."""
    owners: dict[str, list[str]] = {}
    for path in SOURCES:
        body = [node for node in tree_of(path).body if not isinstance(node, ast.Import | ast.ImportFrom | ast.If)]
        if path.relative_to(ROOT).parts[:2] != ("miner", "library"):
            for name in set(exported(path) or []) & set(defined(body)):
                owners.setdefault(name, []).append(name_of(path))
    twice = {name: paths for name, paths in owners.items() if len(paths) > 1}
    assert not twice, twice


REASONED = ("engine", "events", "questions", "signal", "suspects")


def is_number(node: ast.expr | None) -> bool:
    return node is not None and any(
        isinstance(one, ast.Constant) and type(one.value) in (int, float) for one in ast.walk(node)
    )


def unexplained(source: str) -> Iterator[str]:
    """Yield the constants with a number in them that have neither a docstring nor a comment on their lines."""
    lines, body = source.splitlines(), ast.parse(source).body
    for node, after in zip(body, [*body[1:], None], strict=True):
        if isinstance(node, ast.Assign | ast.AnnAssign) and is_number(node.value):
            names = [name for name in defined([node]) if name.isupper()]
            told = isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant)
            said = any("#" in line and "# fmt" not in line for line in lines[node.lineno - 1 : node.end_lineno])
            if names and not told and not said:
                yield names[0]


def test_every_number_that_decides_has_its_reason_beside_it() -> None:
    wrong = [
        f"{name_of(path)}: {name}"
        for path in SOURCES
        if path.relative_to(ROOT).parts[1] in REASONED
        for name in unexplained(path.read_text(encoding="utf-8"))
    ]
    assert not wrong, wrong


def test_a_number_without_a_reason_would_be_noticed() -> None:
    assert list(unexplained("A = 1.5\nB = 2\nC = 'text'\n")) == ["A", "B"]
    assert list(unexplained('A = 1.5  # own choice\nB, C = 2, 3\n"""Both."""\nlow = 3\n')) == []


def defined(body: list[ast.stmt]) -> Iterator[str]:
    """Yield the names that a module's top level makes."""
    for node in body:
        if isinstance(node, ast.ClassDef | Function):
            yield node.name
        elif isinstance(node, ast.ImportFrom | ast.Import):
            yield from (alias.asname or alias.name for alias in node.names)
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            yield from (n.id for n in ast.walk(node) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Store))
        elif isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":  # loaded when first used
            yield from defined(node.body)


def test_only_the_command_layer_writes_to_the_terminal() -> None:
    wrong = [
        f"{name_of(path)}:{node.lineno}"
        for path in SOURCES
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
    ]
    assert not wrong, wrong
    consoles = [
        name_of(path) for path in (ROOT / "miner").rglob("*.py") if any(m.startswith("rich") for m in imported(path))
    ]
    assert not consoles, consoles


CHECKED = {
    "ParquetWriter": "write_page_checksum", "write_table": "write_page_checksum",
    "ParquetFile": "page_checksum_verification", "read_table": "page_checksum_verification",
}  # fmt: skip


def test_every_page_carries_a_checksum_and_every_reader_looks_at_it() -> None:
    wrong = [
        f"{name_of(path)}:{node.lineno} {node.func.attr}"
        for path in SOURCES
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and isinstance(node.func.value, ast.Name)
        and node.func.value.id == "pq"
        and node.func.attr in CHECKED
        and CHECKED[node.func.attr] not in {keyword.arg for keyword in node.keywords}
    ]
    assert not wrong, wrong


def test_no_cell_is_written_by_what_may_make_a_formula_of_it() -> None:
    """The general methods of the spreadsheet library guess what a text means, and each version guesses otherwise."""
    wrong = [
        f"{name_of(path)}:{node.lineno}"
        for path in SOURCES
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Attribute)
        and (
            node.func.attr in ("write_row", "write_column", "write_formula", "write_url", "write_array_formula")
            or (node.func.attr == "write" and ast.unparse(node.func.value) == "sheet")
        )
    ]
    assert not wrong, wrong


def test_help_loads_nothing_heavy() -> None:
    code = (
        "import sys, json, io, contextlib\n"
        "from pipelines.show.console import guarded\n"
        "from pipelines.command import app\n"
        "sys.argv = ['ignition-miner', '--help']\n"
        "with contextlib.redirect_stdout(io.StringIO()) as text:\n"
        "    code = guarded(app)\n"
        "print(json.dumps([code, text.getvalue(), sorted({name.split('.')[0] for name in sys.modules})]))\n"
    )
    ran = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT)
    exit_code, text, modules = json.loads(ran.stdout.splitlines()[-1])
    assert exit_code == 0
    for command in ("demo", "mine", "export", "review", "sensitivity", "overnight"):
        assert command in text
    assert not set(modules) & set(HEAVY)


def test_every_error_class_is_raised_somewhere() -> None:
    errors = {n.name for n in tree_of(ROOT / "miner" / "errors.py").body if isinstance(n, ast.ClassDef)} - {
        "MinerError"
    }
    raised = {
        node.func.id
        for path in SOURCES
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name)
    }
    assert errors <= raised, errors - raised


def test_readme_says_the_job_first() -> None:
    title, job, *_ = (ROOT / "README.md").read_text(encoding="utf-8").split("\n\n")
    assert title == "# Ignition Miner"
    assert len(job.split()) > 40
    assert not job.startswith(("#", "!", "-", "`"))


def test_top_level_is_tidy() -> None:
    tracked = subprocess.run(["git", "ls-files"], capture_output=True, text=True, cwd=ROOT, check=False)
    if tracked.returncode:  # unpacked from an archive, not a checkout
        pytest.skip("not a git checkout")
    assert {line.split("/")[0] for line in tracked.stdout.splitlines()} <= TOP_LEVEL
