"""A report: one HTML page that holds all it needs, figures inside, no script."""

from dataclasses import dataclass, field
from importlib.resources import files
from pathlib import Path
from typing import Any

from host.files import write_whole


@dataclass
class Section:
    """One part of a report: what to see first, then the numbers."""

    title: str
    lead: str = ""
    figures: list[tuple[str, str]] = field(default_factory=list)
    """(SVG, caption)."""
    columns: list[str] = field(default_factory=list)
    rows: list[Any] = field(default_factory=list)
    remarks: list[Any] = field(default_factory=list)
    """Findings (weight, text)."""


def write_report(
    path: Path, title: str, intro: str, sections: list[Section], measured: bool = False
) -> Path:
    """Write the page; return its path. ``measured``: it shows what a real rig did."""
    import jinja2

    from host import __version__

    source = (files("host") / "templates" / "report.html").read_text(encoding="utf-8")
    template = jinja2.Environment(autoescape=True, undefined=jinja2.StrictUndefined).from_string(
        source
    )
    write_whole(
        path,
        template.render(
            title=title, intro=intro, sections=sections, version=__version__, measured=measured
        ),
    )
    return path
