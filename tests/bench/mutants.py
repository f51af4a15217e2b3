"""Mutants of the controller's guards: ``python -m tests.bench.mutants [COUNT [SEED]]``.

A mutant is one small change to one function: a comparison flipped, a clause of ``and``/``or`` dropped,
a constant doubled, a sign swapped. Each is made in a copy of the tree and the tests that guard the
controller run against it, quickest first; a mutant that no test notices lives, and a guard that may
be wrong without anybody noticing is none. Mutants are drawn from all that can be made (``mutants``);
those that change nothing which could be observed stand in ``ALIKE`` with the reason.
"""

import ast
import os
import random
import shutil
import subprocess
import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
FILES = ("limits", "supervisor", "watch", "pid", "heat", "sensor", "turning", "motion/trajectory")
TESTS = (("tests/controller",), ("tests/properties/test_guards.py",),
         ("tests/sim/test_loop.py", "tests/sim/test_closed_loop_turning.py", "tests/both", "tests/properties/test_joint_machine.py"))  # fmt: skip
"""Tests in the order of what they cost; each set runs only where the ones before saw nothing."""
FLIPPED = {ast.Lt: ast.GtE, ast.GtE: ast.Lt, ast.Gt: ast.LtE, ast.LtE: ast.Gt, ast.Eq: ast.NotEq,
           ast.NotEq: ast.Eq}  # fmt: skip

ALIKE: dict[str, str] = {}
"""Mutants that nobody can tell from the original: where and what, and why."""


@dataclass(frozen=True)
class Mutant:
    """One change: file, function, line, what was done, and the whole changed source."""

    file: str
    function: str
    line: int
    change: str
    source: str

    @property
    def name(self) -> str:
        """Where and what, without the line: that moves."""
        return f"{self.file}.{self.function}: {self.change}"


def _changes(node):
    """Yield (what it becomes, replaced node) of one syntax node."""
    if isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in FLIPPED:
        yield ast.Compare(node.left, [FLIPPED[type(node.ops[0])]()], node.comparators)
    elif isinstance(node, ast.BoolOp):
        for k in range(len(node.values)):
            left = node.values[:k] + node.values[k + 1 :]
            yield left[0] if len(left) == 1 else ast.BoolOp(node.op, left)
    elif isinstance(node, ast.Constant) and type(node.value) is float and node.value != 0.0:
        yield ast.Constant(2.0 * node.value)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        yield node.operand
    elif isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add | ast.Sub):
        yield ast.BinOp(
            node.left, ast.Sub() if isinstance(node.op, ast.Add) else ast.Add(), node.right
        )


class _Swap(ast.NodeTransformer):
    def __init__(self, place, made):
        self.place, self.made = place, made

    def visit(self, node):
        return self.made if node is self.place else self.generic_visit(node)


def mutants(file):
    """Yield every mutant of one file of ``controller/joint/``."""
    text = (ROOT / "controller" / "joint" / f"{file}.py").read_text(encoding="utf-8")
    for k, function in enumerate(ast.parse(text).body):
        if not isinstance(function, ast.FunctionDef):
            continue
        nodes = len(list(ast.walk(function)))
        for number in range(nodes):
            place = list(ast.walk(function))[number]
            for choice, made in enumerate(_changes(place)):
                tree = ast.parse(text)
                same = list(ast.walk(tree.body[k]))[number]
                made = list(_changes(same))[choice]
                change = f"{ast.unparse(place)} -> {ast.unparse(made)}"
                body = _Swap(same, made).visit(tree)
                yield Mutant(file, function.name, place.lineno, change,
                             ast.unparse(ast.fix_missing_locations(body)))  # fmt: skip


def drawn(count, seed):
    """So many mutants, of each file in proportion to how many it can have."""
    every = [one for file in FILES for one in mutants(file)]
    random.Random(seed).shuffle(every)
    return sorted(every[:count], key=lambda one: (one.file, one.line))


def killed_by(mutant, tree):
    """The set of tests that notices a mutant, run in a copy of the tree; None where none does."""
    path = tree / "controller" / "joint" / f"{mutant.file}.py"
    sound = path.read_text(encoding="utf-8")
    path.write_text(mutant.source, encoding="utf-8")
    try:
        for tests in TESTS:
            command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *tests]
            environment = {**os.environ, "PYTHONPATH": str(tree)}
            try:
                done = subprocess.run(command, cwd=tree, env=environment, capture_output=True,
                                      check=False, timeout=900)  # fmt: skip
            except subprocess.TimeoutExpired:
                return "it never ends"
            if done.returncode == 1:
                return tests[0]
            if done.returncode != 0:
                raise RuntimeError(done.stdout.decode()[-2000:])
        return None
    finally:
        path.write_text(sound, encoding="utf-8")


def main(count=62, seed=1, workers=2):
    """Try the mutants, tell which live; exit code 1 where one does."""
    chosen = drawn(count, seed)
    with tempfile.TemporaryDirectory() as folder:
        trees = []
        for k in range(workers):
            tree = Path(folder) / str(k)
            for name in ("controller", "sim", "host", "tests"):
                shutil.copytree(
                    ROOT / name, tree / name, ignore=shutil.ignore_patterns("__pycache__")
                )
            for name in ("pyproject.toml", "README.md", "DEVELOPERS.md"):
                shutil.copy(ROOT / name, tree / name)
            trees.append(tree)

        def work(mutant):
            tree = trees.pop()
            try:
                return mutant, ("alike" if mutant.name in ALIKE else killed_by(mutant, tree))
            finally:
                trees.append(tree)

        lives = []
        with ThreadPoolExecutor(workers) as pool:
            for number, (mutant, by) in enumerate(pool.map(work, chosen), 1):
                word = f"killed by {by}" if by else "LIVES"
                print(
                    f"{number}/{len(chosen)} line {mutant.line}, {mutant.name}: {word}", flush=True
                )
                if by is None:
                    lives.append(mutant)
    print(f"{len(lives)} of {len(chosen)} mutants live")
    return 1 if lives else 0


if __name__ == "__main__":
    sys.exit(main(*map(int, sys.argv[1:])))
