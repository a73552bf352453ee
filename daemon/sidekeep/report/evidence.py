"""Pictures of what decisions rest on: groove noise against programme, and what both channels share."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from matplotlib.ticker import FuncFormatter
from numpy.typing import NDArray

from sidekeep.dsp.bands import EDGES_HZ, BandTable
from sidekeep.dsp.centre import agreement_curve
from sidekeep.dsp.gathering import let_go
from sidekeep.dsp.image import BAND_EDGES_HZ, RATIOS_DB
from sidekeep.measurements import Measurements
from sidekeep.model import Plan, Span
from sidekeep.report.canvas import Ink, figure, style, to_svg

_CELLS_AT_ONCE = 256
_MOST_CELLS = 4000  # enough for percentiles; a long side needs no more memory


def spectrum(plan: Plan, seen: Measurements) -> str:
    """Draw band levels of the groove noise (median) against the programme (median and loud parts)."""
    groove = _cells(seen.bands, tuple(span for side in plan.sides for span in side.groove))
    programme = _cells(
        seen.bands, tuple(track.music for side in plan.sides for track in side.tracks)
    )
    edges = np.asarray(EDGES_HZ, dtype=np.float64)[: groove.shape[1] + 1]
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
        drawn.legend(loc="outside upper left", ncols=3, fontsize=8)
        return to_svg(
            drawn, "spectrum", "Level per frequency band: the programme against the groove noise."
        )


def balance(plan: Plan, seen: Measurements) -> str:
    """Draw how the level ratio of what both channels share is spread, per band and in all."""
    table = seen.image
    per_band = np.zeros(table.weights.shape[1:])
    for side in plan.sides:
        first = side.programme.start // table.stretch_frames
        last = -(-side.programme.end // table.stretch_frames)
        for at in range(first, min(last, len(table.weights))):
            per_band += table.weights[at]
            let_go(table.weights)
    if not per_band.any():
        return ""
    with style():
        drawn = figure(9.0, 2.2)
        axes = drawn.add_subplot()
        for band, weights in enumerate(per_band):
            label = "one line a band" if band == 0 else None
            axes.plot(RATIOS_DB, _smooth(weights), color=Ink.BODY, linewidth=1.0, label=label)
        for index, side in enumerate(plan.sides):
            agreed = agreement_curve(table, side.programme.start, side.programme.end)
            label = "how far they agree" if index == 0 else None
            axes.plot(RATIOS_DB, agreed, color=Ink.WAVE, linewidth=1.6, label=label)
        for side in plan.sides:
            if side.balance is not None and side.balance.measured_db is not None:
                axes.axvline(
                    side.balance.measured_db,
                    color=Ink.CUT,
                    linestyle="--",
                    linewidth=1.4,
                    label="measured",
                )
        axes.set_xlim(-6.0, 6.0)
        axes.set_ylim(0.0, None)
        axes.set_yticks([])
        axes.set_xlabel("left above right, dB")
        drawn.legend(loc="outside upper left", ncols=3, fontsize=8)
        bands = f"{BAND_EDGES_HZ[0]:g} to {BAND_EDGES_HZ[-1]:g} Hz"
        return to_svg(
            drawn,
            "balance",
            f"How often in-phase sound had which level ratio, in bands from {bands}.",
        )


def _smooth(weights: NDArray[np.float64]) -> NDArray[np.float64]:
    """Smooth over 0.25 dB and bring the peak to 1."""
    smoothed = np.convolve(weights, np.ones(5) / 5, mode="same")
    result: NDArray[np.float64] = smoothed / max(float(smoothed.max()), 1e-30)
    return result


def _cells(bands: BandTable, spans: tuple[Span, ...]) -> NDArray[np.float32]:
    """Levels of the middle in cells of these spans, evenly picked; shape (cells, bands)."""
    chosen = np.zeros(bands.level.shape[1], dtype=bool)
    for span in spans:
        chosen[span.start // bands.cell_frames + 1 : span.end // bands.cell_frames] = True
    picked = np.flatnonzero(chosen)
    picked = picked[:: max(1, picked.size // _MOST_CELLS)]
    parts = [bands.level[:1, :0]]
    for at in range(0, picked.size, _CELLS_AT_ONCE):
        parts.append(bands.level[:1, picked[at : at + _CELLS_AT_ONCE]])
        let_go(bands.level)
    levels: NDArray[np.float32] = replace(bands, level=np.concatenate(parts, axis=1)).level_db()[0]
    return levels
