"""Tables of the documentation, generated from the declarations.

``python -m host.documents`` rewrites them in place; a test fails when a table
and its declaration differ.
"""

import ast
from collections.abc import Callable
from pathlib import Path

from sim.documentation import fault_table, settings_rows

ROOT = Path(__file__).resolve().parents[1]


def markdown(columns: list[str], rows: list[list[str]]) -> str:
    """Return a Markdown table."""
    lines = ["| " + " | ".join(columns) + " |", "|" + " --- |" * len(columns)]
    lines += ["| " + " | ".join(one.replace("|", "\\|") for one in row) + " |" for row in rows]
    return "\n".join(lines)


def faults() -> str:
    """Table of faults."""
    rows = [
        [
            str(f["number"]),
            f["name"],
            f["cause"],
            f["cure"],
            str(f["category"]),
            f["within"],
            f["alarms"],
        ]
        for f in fault_table()
        if f["number"]
    ]
    return markdown(
        ["number", "fault", "cause", "cure", "stop category", "seen within", "false alarms"], rows
    )


def _number(value: object) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


def settings() -> str:
    """Table of every setting."""
    from controller.joint.settings.settings import Settings

    rows = []
    for s in settings_rows(Settings):
        unit = "" if s["unit"] == "1" else s["unit"]
        size = f" ({s['size']} values)" if s["size"] > 1 else ""
        span = f"{_number(s['low'])} .. {_number(s['high'])}"
        rows.append([f"`{s['name']}`{size}", unit, _number(s["default"]), span, str(s["meaning"])])
    return markdown(["setting", "unit", "default", "allowed", "meaning"], rows)


def spread() -> str:
    """Table of the part-to-part spread."""
    from sim.joint.spread import DEFAULTS

    rows = []
    for name, e in DEFAULTS.items():
        if e.unit in ("", "+"):
            shift = 0.0 if e.unit == "+" else 1.0
            low, high = (f"{100 * (v - shift):+.0f} %" for v in (e.low, e.high))
        else:
            unit = "" if e.unit == "1" else f" {e.unit}"
            low, high = (f"{v:g}{unit}" for v in (e.low, e.high))
        rows.append([f"`{name}`", low, high, e.kind, e.meaning])
    return markdown(["entry", "low", "high", "distribution", "meaning"], rows)


def part() -> str:
    """Table of the constants of the plant."""
    from sim.joint.part import Part

    rows = []
    for s in settings_rows(Part):
        unit = "" if s["unit"] == "1" else s["unit"]
        rows.append([f"`{s['name']}`", unit, _number(s["default"]), str(s["meaning"])])
    return markdown(["constant", "unit", "nominal class", "meaning"], rows)


def messages() -> str:
    """Table of the link's messages."""
    from controller.wire import messages as m
    from sim.documentation import constant_strings

    rows = []
    for name, text in constant_strings(m).items():
        if text.count("|") != 2:
            continue
        sender, fields, meaning = (one.strip() for one in text.split("|"))
        rows.append([f"0x{getattr(m, name):02X}", name, sender, f"`{fields}`", meaning])
    return markdown(["kind", "message", "from", "body", "meaning"], rows)


def results() -> str:
    """Table of an answer's results."""
    from controller.wire import messages as m
    from host.errors import RESULTS
    from sim.documentation import constant_strings

    texts = constant_strings(m)
    return markdown(["result", "meaning"],
                    [[str(getattr(m, name)), texts[name]] for name in RESULTS])  # fmt: skip


def telemetry() -> str:
    """Table of telemetry fields."""
    from controller.wire import messages as m

    return markdown(["bit", "field"], [[str(k), f"`{name}`"] for k, name in enumerate(m.FIELDS)])


def language() -> str:
    """Table of the controller's language."""
    from sim.translate.language import LANGUAGE

    return markdown(["construct", "what of it"], [list(row) for row in LANGUAGE])


def first_sentence(path: Path) -> str:
    """What a file says of itself first."""
    said = (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").split("\n\n")[0]
    return " ".join(said.split())


def files(folder: str) -> Callable[[], str]:
    """Maker of the table of a folder's files, each with what it says of itself."""

    def make() -> str:
        found = sorted(one for one in (ROOT / folder).glob("*.py") if one.name != "__init__.py")
        return markdown(["file", "does"], [[f"`{one.name}`", first_sentence(one)] for one in found])

    return make


FOLDERS = (
    "sim/joint", "sim/model", "sim/run", "sim/size", "sim/tune", "sim/challenge", "sim/identify",
    "sim/identify/axis", "sim/hand",
    "sim/translate", "host/commands", "host/commands/shared", "host/link", "host/recordings", "host/figures", "host/page", "host/virtual",
)  # fmt: skip
"""Folders whose README is a title, a sentence and the table of their files."""

BLOCKS: dict[str, dict[str, Callable[[], str]]] = {
    "controller/README.md": {"faults": faults, "language": language, "settings": settings},
    "sim/README.md": {"files": files("sim"), "spread": spread, "part": part},
    "host/README.md": {
        "files": files("host"),
        "messages": messages,
        "results": results,
        "telemetry": telemetry,
    },
    **{f"{folder}/README.md": {"files": files(folder)} for folder in FOLDERS},
}


def filled(text: str, blocks: dict[str, Callable[[], str]]) -> str:
    """Return a document with its generated blocks made anew."""
    for name, make in blocks.items():
        start, end = f"<!-- {name} -->\n", f"<!-- end {name} -->"
        if start not in text or end not in text:
            raise ValueError(f"no block {name}")
        before, rest = text.split(start, 1)
        text = before + start + make() + "\n" + end + rest.split(end, 1)[1]
    return text


def main() -> None:
    """Rewrite the tables of every document."""
    for name, blocks in BLOCKS.items():
        path = ROOT / name
        path.write_text(filled(path.read_text(encoding="utf-8"), blocks), encoding="utf-8")
        print(f"wrote {name}")


if __name__ == "__main__":
    main()
