"""What is left out of a board's files, and what is not: by small files, and by the whole."""

import ast
import importlib

import pytest

from controller.wire import messages as m
from host.link.board_sources import Sources
from host.link.control_code import board_files, controller_files

FIRST = '''"""Explained."""
from x.other import Base, SIZE, helper
from x import other as o
from x.portable import const

MYPY = False
if MYPY:
    from typing import Any

WIDE = const(SIZE_IN_WORDS)
LOW = const(1 << 4)
"Explained, too."


class Thing(Base):
    """Explained."""

    colour: "Any"
    level = LOW

    def made(self, size: "Any") -> "Any":
        """Explained."""
        return helper(size) + SIZE + o.SIZE + o.twice(LOW) + self.level

    def nobody_asks(self):
        return self.nor_for_this()

    def nor_for_this(self):
        return 1


def serve():
    return Thing()
'''
OTHER = '''"""Explained."""
from x.portable import const

SIZE = const(3)
UNSEEN = const(4)
NAMES = ("one", "two")


class Base:
    pass


def helper(size):
    return size


def twice(of):
    return 2 * of
'''
PORTABLE = """def const(value):
    return value
"""


def laid_out(folder, **texts):
    """Files of a package, to be condensed."""
    top = folder / "x"
    top.mkdir()
    for name, text in texts.items():
        (top / f"{name}.py").write_text(text, encoding="utf-8")
    return Sources(top, sorted(top.glob("*.py")))


def test_numbers_stand_for_names_and_only_what_runs_is_left(tmp_path):
    first = FIRST.replace("SIZE_IN_WORDS", "2 * 3")
    texts = laid_out(tmp_path, first=first, other=OTHER, portable=PORTABLE).condensed()
    assert list(texts) == ["node"]
    text = texts["node"]
    for gone in (
        "Explained",
        "MYPY",
        "Any",
        "const",
        "LOW",
        "WIDE",
        "SIZE",
        "NAMES",
        "import",
        "nobody",
        "nor_for",
    ):
        assert gone not in text, gone
    scope = {}
    exec(text, scope)
    assert scope["serve"]().made(5) == 5 + 3 + 3 + 2 * 16 + 16


def test_a_file_that_is_forgotten_stays_by_itself_and_imports_from_the_one(tmp_path, monkeypatch):
    start = "from x.other import helper\nfrom x import other as o\n\n\ndef made():\n    return helper(1) + o.twice(2)\n"
    texts = laid_out(tmp_path, start=start, other=OTHER, portable=PORTABLE).condensed()
    assert set(texts) == {"node", "start"}
    (tmp_path / "made").mkdir()
    for name, text in texts.items():
        (tmp_path / "made" / f"{name}.py").write_text(
            text.replace("from x", "from made"), encoding="utf-8"
        )
    monkeypatch.syspath_prepend(str(tmp_path))
    assert importlib.import_module("made.start").made() == 1 + 2 * 2


@pytest.mark.parametrize(
    ("first", "told"),
    [("def twice(a):\n    return a\n\n\ndef serve():\n    return twice(1)\n", "both define twice"),
     ("from x import other as o\n\n\ndef serve(twice):\n    return o.twice(twice)\n", "a name of its own")],
)  # fmt: skip
def test_one_name_for_two_things_is_an_error(tmp_path, first, told):
    other = OTHER + "\n\ndef run():\n    return twice(1)\n"
    with pytest.raises(ValueError, match=told):
        laid_out(tmp_path, first=first, other=other, portable=PORTABLE).condensed()


def test_the_board_s_own_files_become_one_and_hold_no_name_of_a_number():
    top = next(path.parent for path in controller_files() if path.name == "records.py")
    texts = Sources(top, board_files()).condensed()
    for name, text in texts.items():
        tree = ast.parse(text)
        names = {one.id for one in ast.walk(tree) if isinstance(one, ast.Name)}
        assert not names & {"FIELDS", "VERSION", "LAYOUT_"}, name
        assert not [one for one in names if one.startswith(("_HEAD_", "_SLOT_", "_CALL_"))], name
    assert len(m.FIELDS) == m.FIELD_COUNT
