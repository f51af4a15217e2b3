"""The sources of a board's program as they are copied onto a chip: the same lines, without what only a reader needs.

Every name that a MicroPython program mentions, and every file, takes memory for as long as it
runs. So numbers stand where their names stood; docstrings, types and definitions that nobody on
the board mentions are left out; and what stays are few files. What the program does is the same.
"""

import ast
from collections.abc import Iterable
from pathlib import Path

Numbers = dict[str, int]
"""Whole-number constants of a file, by name."""

PROGRAM, REST = "program", "node"
"""The files that most become: what is of ``board/``, and all other. Not one: a collection looks at 64 names of a file
at a time, and begins anew over the whole heap where there are more (MicroPython, py/gc.c)."""
ASSEMBLER = "machine_code"
"""A file copied as it is: its body is not Python, and a cross compiler would bind it to one chip."""
FORGOTTEN = ("start", "wiring_cells")
"""Files that are of no use once the program has started."""
BY_ITSELF = (*FORGOTTEN, ASSEMBLER, "half_written")
"""Files that stay files of their own."""
DYNAMIC = ("made", "serve", "run")
"""Names that are mentioned by what starts the program."""


class Sources:
    """The files of a board's program, below ``top``, which is ``controller`` itself."""

    def __init__(self, top: Path, files: Iterable[Path]) -> None:
        self.package = top.name
        self.paths = {
            ".".join((top.name, *one.relative_to(top).with_suffix("").parts)): one for one in files
        }
        self.texts = {name: one.read_text(encoding="utf-8") for name, one in self.paths.items()}
        self.numbers = {name: numbers_of(text) for name, text in self.texts.items()}

    def condensed(self) -> dict[str, str]:
        """Text of every file that goes onto a chip, by its name below ``controller``. Raises ValueError.

        That two files call different things by one name is an error in them.
        """
        trees = {name: self._with_numbers(name) for name in self._in_order()}
        left_out = 1
        while left_out:
            trees = {name: _without_unused_imports(tree) for name, tree in trees.items()}
            left_out = _without_unmentioned(trees)
        places = {name: _place(name) for name in trees}
        texts: dict[str, str] = {}
        for place in dict.fromkeys(places.values()):
            held = [name for name in trees if places[name] == place]
            _check_names({name: trees[name] for name in held})
            parts = [
                ast.fix_missing_locations(_Gathered(self.package, places, place).visit(trees[name]))
                for name in held
            ]
            text = "".join(f"{ast.unparse(one)}\n" for one in parts if one.body)
            if text:
                texts[place] = self.texts[held[0]] if place == ASSEMBLER else text
        return texts

    def _in_order(self) -> list[str]:
        """Modules, each after all that it imports."""
        order: list[str] = []

        def add(name: str) -> None:
            for node in ast.parse(self.texts[name]).body:
                if isinstance(node, ast.ImportFrom):
                    for one in (f"{node.module}.{alias.name}" for alias in node.names):
                        for used in (one, node.module or ""):
                            if used in self.texts and used not in order:
                                add(used)
            if name not in order:
                order.append(name)

        for name in self.texts:
            add(name)
        return order

    def _with_numbers(self, name: str) -> ast.Module:
        """A file's tree, with numbers for their names."""
        tree = ast.parse(self.texts[name])
        names, modules = dict(self.numbers[name]), dict[str, Numbers]()
        for node in ast.walk(tree):
            if not isinstance(node, ast.ImportFrom):
                continue
            for alias in node.names:
                known = alias.asname or alias.name
                part = self.numbers.get(node.module or "", {})
                if f"{node.module}.{alias.name}" in self.numbers:
                    modules[known] = self.numbers[f"{node.module}.{alias.name}"]
                elif alias.name in part:
                    names[known] = part[alias.name]
        tree.body = [one for one in tree.body if _number(one) is None]
        return ast.fix_missing_locations(_Numbers(names, modules).visit(tree))


def _last(name: str) -> str:
    return name.rpartition(".")[2]


def _place(name: str) -> str:
    """The file on the board that holds a module."""
    if _last(name) in BY_ITSELF:
        return _last(name)
    return PROGRAM if ".board." in name else REST


def numbers_of(text: str) -> Numbers:
    """What a file calls ``const``."""
    found = (_number(one) for one in ast.parse(text).body)
    return {one[0]: one[1] for one in found if one is not None}


def _number(node: ast.stmt) -> tuple[str, int] | None:
    """Name and value of ``NAME = const(...)``, where the value is a whole number."""
    match node:
        case ast.Assign([ast.Name(name)], ast.Call(ast.Name("const"), [value])):
            known = eval(compile(ast.Expression(value), name, "eval"), {"__builtins__": {}})
            return (name, known) if isinstance(known, int) else None
    return None


class _Numbers(ast.NodeTransformer):
    """Puts numbers where their names stand; leaves out docstrings and types."""

    def __init__(self, names: Numbers, modules: dict[str, Numbers]) -> None:
        self.names, self.modules = names, modules

    def visit_Name(self, node: ast.Name) -> ast.expr:
        if isinstance(node.ctx, ast.Load) and node.id in self.names:
            return ast.Constant(self.names[node.id])
        return node

    def visit_Attribute(self, node: ast.Attribute) -> ast.AST:
        if isinstance(node.value, ast.Name) and node.attr in self.modules.get(node.value.id, {}):
            return ast.Constant(self.modules[node.value.id][node.attr])
        return self.generic_visit(node)

    def visit_Module(self, node: ast.Module) -> ast.AST:
        node.body = [one for one in node.body if not _for_readers(one)]
        return self.generic_visit(node)

    def visit_ClassDef(self, node: ast.ClassDef) -> ast.AST:
        node.body = [one for one in node.body if not _for_readers(one)] or [ast.Pass()]
        return self.generic_visit(node)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        node.body = [one for one in node.body if not _for_readers(one)] or [ast.Pass()]
        node.returns = None
        return self.generic_visit(node)

    def visit_arg(self, node: ast.arg) -> ast.arg:
        node.annotation = None
        return node

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST | None:
        if node.value is None:
            return None
        return self.generic_visit(ast.Assign([node.target], node.value))


def _for_readers(node: ast.stmt) -> bool:
    """Whether a line is a docstring, or there for the type checker or for ``import *``."""
    match node:
        case ast.Expr(ast.Constant(str())) | ast.If(ast.Name("MYPY")):
            return True
        case ast.Assign([ast.Name("MYPY" | "__all__")]):
            return True
    return False


def _without_unmentioned(trees: dict[str, ast.Module]) -> int:
    """Leave out functions, methods and values of modules that no file mentions; return how many."""
    mentioned = set(DYNAMIC)
    for tree in trees.values():
        for node in ast.walk(tree):
            match node:
                case ast.Name(name, ast.Load()) | ast.Attribute(_, name) | ast.alias(name):
                    mentioned.add(name)
    left_out = 0
    for name, tree in trees.items():
        if _last(name) == ASSEMBLER:
            continue
        for holder in ast.walk(tree):
            if isinstance(holder, ast.Module | ast.ClassDef):
                in_module = isinstance(holder, ast.Module)
                kept = [one for one in holder.body if _mentioned(one, mentioned, in_module)]
                left_out += len(holder.body) - len(kept)
                holder.body = kept if kept or in_module else [ast.Pass()]
    return left_out


def _mentioned(node: ast.stmt, names: set[str], in_module: bool) -> bool:
    match node:
        case ast.FunctionDef(name):
            return name in names or name.startswith("__")
        case ast.ClassDef(name):
            return name in names
        case ast.Assign([ast.Name(name)]):
            return not in_module or name in names
    return True


def _without_unused_imports(tree: ast.Module) -> ast.Module:
    """Leave out what an import brings and nobody uses any more."""
    used = {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    body: list[ast.stmt] = []
    for node in tree.body:
        if isinstance(node, ast.ImportFrom):
            node.names = [one for one in node.names if (one.asname or one.name) in used]
            if not node.names:
                continue
        body.append(node)
    tree.body = body
    return tree


def _check_names(trees: dict[str, ast.Module]) -> None:
    """Raise ValueError where two of the modules that become one file define the same name."""
    found: dict[str, str] = {}
    for name, tree in trees.items():
        for one in _defined_by(tree.body):
            if found.setdefault(one, name) != name:
                raise ValueError(
                    f"{found[one]} and {name} both define {one}: on a board they are one file"
                )


def _defined_by(body: list[ast.stmt]) -> set[str]:
    names: set[str] = set()
    for node in body:
        match node:
            case ast.FunctionDef(name) | ast.ClassDef(name) | ast.Assign([ast.Name(name)]):
                names.add(name)
            case ast.Try():
                names |= _defined_by(node.body).union(
                    *(_defined_by(one.body) for one in node.handlers)
                )
    return names


class _Gathered(ast.NodeTransformer):
    """Imports of one file on the board: none of what it holds itself, others by the file that holds them."""

    def __init__(self, package: str, places: dict[str, str], own: str) -> None:
        self.package, self.places, self.own = package, places, own
        self.modules: set[str] = set()
        """Names of whole files that this one holds: what is theirs is its own."""

    def visit_ImportFrom(self, node: ast.ImportFrom) -> list[ast.stmt] | ast.stmt:
        if not (node.module or "").startswith(self.package):
            return node
        found: list[ast.stmt] = []
        for one in node.names:
            whole = self.places.get(f"{node.module}.{one.name}")
            part = self.places.get(node.module or "")
            known = one.asname or one.name
            if whole == self.own:
                self.modules.add(known)
            elif whole is not None:
                found.append(ast.ImportFrom(self.package, [ast.alias(whole, known)], 0))
            elif part != self.own:
                found.append(ast.ImportFrom(f"{self.package}.{part}", [one], 0))
        return found

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        own = {one.arg for one in ast.walk(node) if isinstance(one, ast.arg)}
        own |= {
            one.id
            for one in ast.walk(node)
            if isinstance(one, ast.Name) and isinstance(one.ctx, ast.Store)
        }
        for one in ast.walk(node):
            match one:
                case ast.Attribute(ast.Name(module), name) if (
                    module in self.modules and name in own
                ):
                    raise ValueError(
                        f"{node.name}: {name} is {module}.{name} and a name of its own"
                    )
        return self.generic_visit(node)

    def visit_Attribute(self, node: ast.Attribute) -> ast.AST:
        if isinstance(node.value, ast.Name) and node.value.id in self.modules:
            return ast.Name(node.attr, node.ctx)
        return self.generic_visit(node)
