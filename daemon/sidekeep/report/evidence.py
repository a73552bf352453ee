"""Pictures of what decisions rest on: the spectrum of groove noise against programme."""

from __future__ import annotations

import numpy as np
from matplotlib.ticker import FuncFormatter
from numpy.typing import NDArray

from sidekeep.dsp.bands import EDGES_HZ
from sidekeep.measurements import Measurements
from sidekeep.model import Plan, Span
from sidekeep.report.canvas import Ink, figure, style, to_svg


def spectrum(plan: Plan, seen: Measurements) -> str:
    """Draw band levels of the groove noise (median) against the programme (median and loud parts)."""
    levels = seen.bands.level_db()[0]
    cell = seen.bands.cell_frames
    groove = _cells(levels, cell, tuple(span for side in plan.sides for span in side.groove))
    programme = _cells(
        levels, cell, tuple(track.music for side in plan.sides for track in side.tracks)
    )
    edges = np.asarray(EDGES_HZ, dtype=np.float64)[: levels.shape[1] + 1]
    centres = np.sqrt(edges[:-1] * edges[1:])
    with style():
        drawn = figure(9.0, 2.4)
        axes = drawn.add_subplot()
        if programme.size:
            low, middle, high = np.percentile(programme, (10, 50, 90), axis=0)
            axes.fill_between(
                centres, low, high, color=Ink.BODY, linewidth=0, label="programme, 10-90 %"
            )
            axes.plot(centres, middle, color=Ink.WAVE, linewidth=1.4, label="programme, median")
        if groove.size:
            median = np.median(groove, axis=0)
            axes.plot(
                centres, median, color=Ink.CUT, linewidth=1.4, linestyle="--", label="groove noise"
            )
        axes.set_xscale("log")
        axes.set_xlim(float(edges[0]), float(edges[-1]))
        axes.xaxis.set_major_formatter(
            FuncFormatter(lambda hz, _pos: f"{hz / 1000:g} k" if hz >= 1000 else f"{hz:g}")
        )
        axes.set_xlabel("Hz")
        axes.set_ylabel("dBFS per band")
        axes.legend(loc="upper right", ncols=3, fontsize=8)
        return to_svg(
            drawn, "spectrum", "Level per frequency band: the programme against the groove noise."
        )


def _cells(
    levels: NDArray[np.float32], cell_frames: int, spans: tuple[Span, ...]
) -> NDArray[np.float32]:
    chosen = np.zeros(levels.shape[0], dtype=bool)
    for span in spans:
        chosen[span.start // cell_frames + 1 : span.end // cell_frames] = True
    return levels[chosen]
