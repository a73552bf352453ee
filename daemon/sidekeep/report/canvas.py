"""Figures as small inline SVG that follow the page's light or dark colours.

The plotting library draws with the placeholder colours below; on the way out they become CSS
variables of the page. The same figure gives the same bytes.
"""

from __future__ import annotations

import io
import re
from enum import StrEnum
from html import escape
from typing import Any

import matplotlib as mpl
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure


class Ink(StrEnum):
    """Placeholder colours, each replaced by the CSS variable of the same name."""

    TEXT = "#010101"
    QUIET = "#020202"
    WAVE = "#030303"
    BODY = "#040404"
    KEPT = "#050505"
    CUT = "#060606"
    LISTEN = "#070707"
    AGAIN = "#080808"
    SECOND = "#090909"


_STYLE: Any = {
    "svg.fonttype": "none",
    "svg.hashsalt": "sidekeep",
    "font.family": "sans-serif",
    "font.size": 9.0,
    "text.color": Ink.TEXT,
    "axes.edgecolor": Ink.QUIET,
    "axes.labelcolor": Ink.TEXT,
    "axes.facecolor": "none",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.linewidth": 0.6,
    "xtick.color": Ink.TEXT,
    "ytick.color": Ink.TEXT,
    "grid.color": Ink.QUIET,
    "grid.linewidth": 0.3,
    "legend.frameon": False,
    "path.simplify": True,
    "path.simplify_threshold": 0.3,
    "hatch.linewidth": 0.6,
}


def figure(width_in: float, height_in: float) -> Figure:
    """Return an empty figure of that size in inches, drawn on nothing."""
    with mpl.rc_context(_STYLE):
        made = Figure(figsize=(width_in, height_in), layout="constrained")
    made.patch.set_alpha(0.0)
    return made


def style() -> Any:
    """Return the context in which axes must be made and drawn."""
    return mpl.rc_context(_STYLE)


def to_svg(drawn: Figure, name: str, description: str) -> str:
    """Return the figure as an inline SVG element with a description for those who cannot see it.

    Args:
        drawn: the figure.
        name: a word unique on the page; keeps the element's inner references apart.
        description: what the picture shows, in one or two sentences.
    """
    out = io.StringIO()
    with mpl.rc_context(_STYLE):
        canvas: Any = FigureCanvasSVG(drawn)
        canvas.print_svg(out, metadata={"Date": None, "Creator": None})
    svg = out.getvalue()
    svg = svg[svg.index("<svg") :]
    svg = re.sub(r"<metadata>.*?</metadata>", "", svg, flags=re.DOTALL)
    for ink in Ink:
        svg = svg.replace(str(ink), f"var(--{ink.name.lower()})")
    svg = re.sub(r'id="([^"]+)"', rf'id="{name}-\1"', svg)
    svg = re.sub(r"url\(#([^)]+)\)", rf"url(#{name}-\1)", svg)
    svg = re.sub(r'xlink:href="#([^"]+)"', rf'xlink:href="#{name}-\1"', svg)
    svg = re.sub(r"(\d+\.\d\d)\d+", r"\1", svg)
    svg = re.sub(r"\n\s*", "\n", svg)
    svg = re.sub(r'(<svg[^>]*?) width="[^"]*"', r"\1", svg, count=1)
    svg = re.sub(r'(<svg[^>]*?) height="[^"]*"', r"\1", svg, count=1)
    return svg.replace("<svg", f'<svg role="img" aria-label="{escape(description, quote=True)}"', 1)
