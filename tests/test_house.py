"""The shape of the project: what stands where, who imports whom, tables in step."""

import ast
import re
import subprocess
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

from host import documents

ROOT = Path(__file__).resolve().parents[1]
TOP = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "pyproject.toml",
    "controller",
    "sim",
    "host",
    "tests",
}
MAY_IMPORT = {
    "controller": {"controller"},
    "sim": {"controller", "sim"},
    "host": {"controller", "sim", "host"},
}
BOARD_MODULES = {
    "math", "struct", "array", "time", "json", "binascii", "hashlib", "gc", "micropython", "controller",
    "sys", "select", "os",
}  # fmt: skip


def tracked():
    done = subprocess.run(
        ["git", "ls-files", "-co", "--exclude-standard"], cwd=ROOT, capture_output=True, text=True,
        check=True,
    )  # fmt: skip
    return [Path(line) for line in done.stdout.splitlines()]


def sources(folder):
    return sorted((ROOT / folder).rglob("*.py"))


def imported(path):
    """Top-level names that a file imports; what stands behind ``if MYPY`` is for the checker."""
    names = set()

    def walk(node):
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.If) and getattr(child.test, "id", "") == "MYPY":
                continue
            if isinstance(child, ast.Import):
                names.update(one.name.split(".")[0] for one in child.names)
            elif isinstance(child, ast.ImportFrom):
                names.add((child.module or "").split(".")[0])
            walk(child)

    walk(ast.parse(path.read_text(encoding="utf-8")))
    return names


def test_top_level_is_what_the_design_card_allows():
    found = {path.parts[0] for path in tracked()}
    assert {one for one in found if not one.startswith(".")} == TOP


@pytest.mark.parametrize("folder", MAY_IMPORT)
def test_import_direction(folder):
    ours = {"controller", "sim", "host", "tests"}
    for path in sources(folder):
        wrong = imported(path) & ours - MAY_IMPORT[folder]
        assert not wrong, f"{path.relative_to(ROOT)} imports {wrong}"


CONTROLLER_FOLDERS = {
    "": set(),
    "joint/settings": {""},
    "joint": {"", "joint", "joint/settings"},
    "wire": {""},
    "node": {"", "joint", "joint/settings", "wire"},
    "board": {"", "joint", "joint/settings", "wire", "node"},
}
"""What a folder of the controller may take from others, beside its own files; motion belongs to the joint."""


BELOW_EACH = {"", "joint", "model"}
SIM_FOLDERS = {
    "": set(),
    "joint": {""},
    "model": {"", "joint"},
    "translate": BELOW_EACH,
    "run": BELOW_EACH | {"translate"},
    "tune": BELOW_EACH | {"translate", "run"},
    "size": BELOW_EACH | {"run", "tune"},
    "challenge": BELOW_EACH | {"run", "size"},
    "identify/axis": BELOW_EACH | {"run"},
    "identify": BELOW_EACH | {"run", "tune", "identify/axis"},
    "hand": BELOW_EACH | {"run", "size"},
}
"""The same of ``sim``."""
HOST_FOLDERS = {
    "": {"link", "commands"},
    "virtual": {"link"},
    "link": {"", "virtual"},  # a session begins the boards that are not there
    "recordings": {"", "link"},
    "figures": set(),
    "commands/shared": {"link"},
    "page": {"", "link", "recordings", "virtual", "figures", "commands/shared", "commands"},
    "commands": {"", "link", "recordings", "virtual", "figures", "commands/shared", "page"},
}
"""The same of ``host``."""


def modules_imported(path):
    """Project modules (dotted) that a file imports, inside functions too; not those for the checker."""
    found = set()

    def walk(node):
        for child in ast.iter_child_nodes(node):
            if isinstance(child, ast.If) and getattr(child.test, "id", "") in (
                "MYPY",
                "TYPE_CHECKING",
            ):
                continue
            if isinstance(child, ast.ImportFrom) and child.module:
                for one in child.names:
                    whole = f"{child.module}.{one.name}"
                    is_module = (ROOT / (whole.replace(".", "/") + ".py")).exists()
                    found.add(whole if is_module else child.module)
            walk(child)

    walk(ast.parse(path.read_text(encoding="utf-8")))
    return {one for one in found if (ROOT / (one.replace(".", "/") + ".py")).exists()}


def folder_of(module):
    """Folder of a module, below its top one."""
    return "/".join(module.split(".")[1:-1]).replace("joint/motion", "joint")


@pytest.mark.parametrize(
    ("top", "table"),
    [("controller", CONTROLLER_FOLDERS), ("sim", SIM_FOLDERS), ("host", HOST_FOLDERS)],
)
def test_folders_import_one_way(top, table):
    for path in sources(top):
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
        own = folder_of(name)
        for other in modules_imported(path):
            if other.split(".")[0] == top:
                assert folder_of(other) in table[own] | {own}, f"{name} imports {other}"


@pytest.mark.parametrize("top", ["controller", "sim", "host"])
def test_no_files_import_each_other_in_a_circle(top):
    """Imports inside functions counted."""
    graph = {".".join(path.relative_to(ROOT).with_suffix("").parts): modules_imported(path)
             for path in sources(top)}  # fmt: skip
    tuple(TopologicalSorter(graph).static_order())  # raises CycleError, with the circle


def test_every_folder_s_readme_names_its_files():
    """By tables that are made of the files themselves (``host/documents.py``)."""
    for top in ("sim", "host"):
        for folder in {path.parent for path in sources(top)}:
            name = (folder / "README.md").relative_to(ROOT).as_posix()
            assert "files" in documents.BLOCKS[name], name


MOST_FILES = 16


def test_no_folder_holds_too_many_files():
    for top in ("controller", "sim"):
        for folder in {path.parent for path in sources(top)}:
            found = [one for one in folder.glob("*.py") if one.name != "__init__.py"]
            assert len(found) <= MOST_FILES, folder


def test_the_controllers_readme_names_every_file():
    text = (ROOT / "controller" / "README.md").read_text(encoding="utf-8")
    for path in sources("controller"):
        assert path.name == "__init__.py" or f"`{path.name}`" in text or f"/{path.name}`" in text, (
            path
        )


def test_controller_imports_only_what_a_board_has():
    for path in sources("controller"):
        allowed = set(BOARD_MODULES)
        if "board" in path.relative_to(ROOT / "controller").parts[:-1]:
            allowed |= {"machine", "rp2", "uctypes"}
        wrong = imported(path) - allowed
        assert not wrong, f"{path.relative_to(ROOT)} imports {wrong}"


def test_controller_files_and_functions_are_small():
    for path in sources("controller"):
        text = path.read_text(encoding="utf-8")
        assert text.count("\n") <= 250, f"{path.name} has more than 250 lines"
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.FunctionDef):
                lines = node.end_lineno - node.body[0].lineno + 1
                assert lines <= 45, f"{path.name}: {node.name} has {lines} lines"


def test_controller_keeps_to_the_language_of_boards():
    """No f-strings, generators or star-arguments in the tick; no walrus, match, async anywhere."""
    never = (ast.NamedExpr, ast.Match, ast.AsyncFunctionDef, ast.Await)
    for path in sources("controller"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            assert not isinstance(node, never), f"{path.name}: line {node.lineno}"


@pytest.mark.parametrize("name", documents.BLOCKS)
def test_generated_tables_are_in_step(name):
    text = (ROOT / name).read_text(encoding="utf-8")
    assert documents.filled(text, documents.BLOCKS[name]) == text, "run: python -m host.documents"


def test_no_machine_paths_or_registry_hosts():
    words = re.compile(
        r"(?<![\w.])/(?:work|tmp|root|home)/|pythonhosted\.|pypi\.org|registry\.npmjs|deb\.debian\.org"
    )
    for path in tracked():
        if (
            path.suffix in {".py", ".md", ".toml", ".html", ".js", ".css", ""}
            and path.name != "LICENSE"
        ):
            full = ROOT / path
            if full == Path(__file__) or not full.exists():
                continue
            found = words.search(full.read_text(encoding="utf-8"))
            assert not found, f"{path}: {found.group()}"


def test_every_public_function_says_what_it_does():
    for folder in ("controller", "sim", "host"):
        for path in sources(folder):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if isinstance(node, ast.FunctionDef | ast.ClassDef) and not node.name.startswith(
                    "_"
                ):
                    inner = node.col_offset > 0
                    assert inner or ast.get_docstring(node), f"{path.name}: {node.name}"
