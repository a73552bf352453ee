"""Pictures of the side in time: the whole side, one place enlarged, loudness against the target."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MultipleLocator
from numpy.typing import NDArray

from sidekeep.dsp.gathering import let_go
from sidekeep.measurements import Measurements, let_go_of
from sidekeep.model import Finding, Plan, Severity, Side, Span, Track
from sidekeep.report.canvas import Ink, figure, style, to_svg

#: Columns of the drawn waveform; more is invisible at desktop width and only makes the page heavy.
_COLUMNS = 900
_PLACE_COLUMNS = 450

#: Distances of the marks on a time axis, in seconds, and how many of them fit on it.
_TIME_STEPS_S = (0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600)
_MOST_STEPS = {"wide": 10, "narrow": 6}
_MARK = {
    Severity.AGAIN: ("X", Ink.AGAIN),
    Severity.LISTEN: ("v", Ink.LISTEN),
    Severity.NOTE: (".", Ink.QUIET),
}


def clock(seconds: float) -> str:
    """Write a time as m:ss, or h:mm:ss from one hour on: the second that a player shows there."""
    whole = int(seconds + 1e-6)
    hours, minutes = divmod(whole // 60, 60)
    return f"{hours}:{minutes:02d}:{whole % 60:02d}" if hours else f"{minutes}:{whole % 60:02d}"


def whole_side(plan: Plan, seen: Measurements) -> str:
    """Draw the recording's envelope with programme, cuts and findings, to scale."""
    with style():
        drawn = figure(9.0, 2.6)
        axes = drawn.add_subplot()
        _envelope(axes, plan, seen)
        for index, side in enumerate(plan.sides):
            _spans(axes, plan, side, first=index == 0)
        _findings(axes, plan, plan.findings)
        axes.set_xlim(0.0, plan.seconds(seen.frames))
        axes.set_ylim(-1.05, 1.25)
        axes.set_ylabel("of full scale")
        _time_axis(axes, "wide")
        axes.set_xlabel("time in the recording")
        drawn.legend(loc="outside upper left", ncols=7, fontsize=8)
        tracks = sum(len(side.tracks) for side in plan.sides)
        return to_svg(
            drawn,
            "whole",
            f"Waveform of the recording, {clock(plan.seconds(seen.frames))} long, with the programme, "
            f"{tracks} tracks, their cuts and {len(plan.findings)} findings. The tables hold the same facts.",
        )


def place(
    plan: Plan, seen: Measurements, span: Span, name: str, label: str, around_s: float = 4.0
) -> str:
    """Draw one place enlarged: level in dB every 10 ms, `around_s` seconds on both sides of `span`.

    Of a long place several 10 ms share a column: the highest of their peaks, the mean of their power.
    """
    rate = seen.rate_hz
    reach = round(around_s * rate)
    shown = Span(max(0, span.start - reach), min(seen.frames, span.end + reach))
    with style():
        drawn = figure(4.4, 2.0)
        axes = drawn.add_subplot()
        cell = seen.levels.cell_frames
        first, last = shown.start // cell, max(shown.start // cell + 1, -(-shown.end // cell))
        power = seen.levels.mean_square[:, first:last].mean(axis=0)
        peak = seen.levels.sample_peak[:, first:last].max(axis=0)
        width = max(1, -(-power.size // _PLACE_COLUMNS))
        starts = np.arange(0, power.size, width)
        power = np.add.reduceat(power, starts) / np.diff(starts, append=power.size)
        peak = np.maximum.reduceat(peak, starts)
        times = np.array([plan.seconds((first + int(start)) * cell) for start in starts])
        axes.fill_between(times, _db(peak**2), -100.0, color=Ink.BODY, linewidth=0, label="peak")
        axes.plot(times, _db(power), color=Ink.WAVE, linewidth=0.9, label="level")
        for side in plan.sides:
            for track in side.tracks:
                for frame in (track.span.start, track.span.end):
                    if shown.start <= frame <= shown.end:
                        axes.axvline(
                            plan.seconds(frame), color=Ink.CUT, linewidth=1.4, linestyle="--"
                        )
        if span.frames:
            axes.axvspan(
                plan.seconds(span.start), plan.seconds(span.end), color=Ink.LISTEN, alpha=0.25
            )
        axes.set_xlim(plan.seconds(shown.start), plan.seconds(shown.end))
        axes.set_ylim(max(-100.0, float(np.min(_db(power), initial=0.0)) - 6.0), 3.0)
        axes.set_ylabel("dBFS")
        _time_axis(axes, "narrow")
        return to_svg(drawn, name, f"Level around {clock(plan.seconds(span.start))}: {label}")


def loudness(plan: Plan, seen: Measurements) -> str:
    """Draw loudness and peaks of the result over time, with what was aimed at."""
    with style():
        drawn = figure(9.0, 2.3)
        axes = drawn.add_subplot()
        tracks = [(side, track) for side in plan.sides for track in side.tracks]
        for index, (side, track) in enumerate(tracks):
            label = "short-term loudness (3 s), LUFS" if index == 0 else None
            times, values = _short_term(plan, seen, track.span, track.gain_db)
            axes.plot(times, values, color=Ink.WAVE, linewidth=1.2, label=label)
            label = "true peak (1 s), dBTP" if index == 0 else None
            times, values = _peaks(plan, seen, track.span, track.gain_db)
            axes.plot(times, values, color=Ink.SECOND, linewidth=0.8, label=label)
            for aim in _aims(side, track):
                label = "aimed at" if index == 0 else None
                start, end = plan.seconds(track.span.start), plan.seconds(track.span.end)
                axes.plot([start, end], [aim, aim], color=Ink.CUT, linestyle="--", label=label)
        axes.set_xlim(0.0, plan.seconds(seen.frames))
        axes.set_ylim(-60.0, 3.0)
        axes.set_ylabel("dB")
        _time_axis(axes, "wide")
        drawn.legend(loc="outside upper left", ncols=3, fontsize=8)
        return to_svg(
            drawn, "loudness", "Loudness and true peak of the tracks as filed, over time."
        )


def _aims(side: Side, track: Track) -> tuple[float, ...]:
    """What the gain aimed at, the side's or the track's own: a loudness in LUFS, or a true peak in dBTP."""
    level = track.level if side.level is None or side.level.ruled_by == "none" else side.level
    if level is None or level.true_peak_dbtp is None or level.integrated_lufs is None:
        return ()
    if level.ruled_by == "loudness":
        return (level.integrated_lufs + level.gain_db,)
    return (level.true_peak_dbtp + level.gain_db,) if level.ruled_by in {"peak", "ceiling"} else ()


def _peaks(
    plan: Plan, seen: Measurements, span: Span, gain_db: tuple[float, ...]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Largest true peak of every second in dBTP, with gains per channel in dB."""
    cell = seen.peaks.cell_frames
    first, last = span.start // cell, max(span.start // cell + 1, span.end // cell)
    gains = 10.0 ** (np.asarray(gain_db[: seen.channels]) / 20.0)
    peaks = (seen.peaks.true_peak[:, first:last] * gains[:, np.newaxis]).max(axis=0, initial=0.0)
    let_go_of(seen)
    starts = np.arange(0, peaks.size, max(1, round(seen.rate_hz / cell)))
    times = np.array([plan.seconds(int(first + start) * cell) for start in starts])
    return times, _db(np.maximum.reduceat(peaks, starts) ** 2)


def _short_term(
    plan: Plan, seen: Measurements, span: Span, gain_db: tuple[float, ...]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Short-term loudness (BS.1770-5, 3 s window) once a second, with gains per channel in dB."""
    cell = seen.loudness.cell_frames
    first, last = span.start // cell, span.end // cell
    gains = 10.0 ** (np.asarray(gain_db[: seen.channels]) / 10.0)
    energy = (seen.loudness.energy[:, first:last].astype(np.float64) * gains[:, np.newaxis]).sum(
        axis=0
    )
    let_go_of(seen)
    per_s = max(1, round(seen.rate_hz / cell))
    sums = np.concatenate(([0.0], np.cumsum(energy)))
    ends = np.arange(min(3 * per_s, energy.size), energy.size + 1, per_s)
    starts = np.maximum(ends - 3 * per_s, 0)
    mean = (sums[ends] - sums[starts]) / np.maximum(ends - starts, 1)
    times = np.array([plan.seconds(int(first + end) * cell) for end in ends])
    return times, -0.691 + _db(mean)


def _envelope(axes: Axes, plan: Plan, seen: Measurements) -> None:
    cells = seen.levels.sample_peak.shape[1]
    width = max(1, -(-cells // _COLUMNS))
    starts = np.arange(0, cells, width)
    peak, rms = np.zeros((2, starts.size))
    for column, start in enumerate(starts):
        part = slice(start, start + width)
        peak[column] = seen.levels.sample_peak[:, part].max()
        rms[column] = np.sqrt(seen.levels.mean_square[:, part].mean(axis=0).max())
        let_go(seen.levels.sample_peak)
        let_go(seen.levels.mean_square)
    times = np.array([plan.seconds(int(start) * seen.levels.cell_frames) for start in starts])
    axes.fill_between(times, -peak, peak, color=Ink.BODY, linewidth=0, label="peaks")
    axes.fill_between(times, -rms, rms, color=Ink.WAVE, linewidth=0, label="level (rms)")


def _time_axis(axes: Axes, kind: str) -> None:
    """Mark the time axis at round minutes or seconds."""
    low, high = axes.get_xlim()
    fitting = (step for step in _TIME_STEPS_S if (high - low) / step <= _MOST_STEPS[kind])
    step_s = next(fitting, _TIME_STEPS_S[-1])
    axes.xaxis.set_major_locator(MultipleLocator(step_s))
    tenths = step_s % 1 > 0
    axes.xaxis.set_major_formatter(
        FuncFormatter(lambda x, _pos: f"{int(x // 60)}:{x % 60:04.1f}" if tenths else clock(x))
    )


def _spans(axes: Axes, plan: Plan, side: Side, *, first: bool) -> None:
    start, end = plan.seconds(side.trimmed.start), plan.seconds(side.trimmed.end)
    axes.plot(
        [start, end], [-1.0, -1.0], color=Ink.KEPT, linewidth=1.2, label="kept" if first else None
    )
    for index, track in enumerate(side.tracks):
        music = [plan.seconds(frame) for frame in (track.music.start, track.music.end)]
        label = "programme" if first and index == 0 else None
        axes.plot(
            music, [-1.0, -1.0], color=Ink.KEPT, linewidth=5, solid_capstyle="butt", label=label
        )
    for index, track in enumerate(side.tracks):
        at = plan.seconds(track.span.start)
        axes.axvline(
            at,
            color=Ink.CUT,
            linewidth=1.0,
            linestyle="--",
            label="cut" if first and index == 0 else None,
        )
        axes.text(at, 1.08, f" {track.number}", fontsize=8, color=Ink.CUT)
    axes.axvline(end, color=Ink.CUT, linewidth=1.0, linestyle="--")


def _findings(axes: Axes, plan: Plan, findings: tuple[Finding, ...]) -> None:
    for severity, (marker, ink) in _MARK.items():
        times = [
            plan.seconds(finding.span.start) for finding in findings if finding.severity is severity
        ]
        if times:
            axes.plot(
                times, [0.98] * len(times), marker, color=ink, markersize=6, label=f"{severity}"
            )


def _db(power: NDArray[np.floating]) -> NDArray[np.float64]:
    result: NDArray[np.float64] = 10.0 * np.log10(np.maximum(power.astype(np.float64), 1e-10))
    return result
