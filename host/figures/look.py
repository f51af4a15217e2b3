"""One look for all figures; saving them."""

import io
from pathlib import Path
from typing import Any

# Colours that stay apart for colour-blind eyes (Okabe and Ito, 2008); style differs too.
SETPOINT, TRUE, MEASURED, LIMIT = "#6b6b6b", "#0072b2", "#56b4e9", "#d55e00"
FLEXOR, EXTENSOR, TIP, GOOD = "#009e73", "#cc79a7", "#000000", "#009e73"


def pyplot() -> Any:
    """Return pyplot, drawing to files only, in our look."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    plt.rcParams.update(
        {
            "figure.dpi": 110,
            "font.size": 10,
            "axes.grid": True,
            "grid.color": "#dddddd",
            "axes.spines.top": False,
            "axes.spines.right": False,
            "axes.titlesize": 11,
            "axes.titleweight": "bold",
            "axes.titlelocation": "left",
            "legend.frameon": False,
            "lines.linewidth": 1.5,
            "svg.fonttype": "none",
            "font.family": "DejaVu Sans",
            "figure.constrained_layout.use": True,
        }
    )
    return plt


def save(figure: Any, path: Path) -> Path:
    """Save a figure under a temporary name and rename it; return the path."""
    partial = path.with_name("." + path.name)
    figure.savefig(partial, format=path.suffix[1:])
    partial.replace(path)
    pyplot().close(figure)
    return path


def as_svg(figure: Any) -> str:
    """Return a figure as an SVG element for a page."""
    out = io.StringIO()
    figure.savefig(out, format="svg")
    pyplot().close(figure)
    text = out.getvalue()
    return text[text.index("<svg") :]
