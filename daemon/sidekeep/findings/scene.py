"""What a detector looks at: one side, its measurements, and what is known about the record."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import scipy.fft
from numpy.typing import NDArray

from sidekeep.dsp.edges import spike_db
from sidekeep.dsp.gathering import let_go
from sidekeep.dsp.spectra import cell_frames
from sidekeep.measurements import Measurements
from sidekeep.model import Finding, Recording, Severity, Side, Span

#: Ticks that are filtered at a time: a minute of them, and whole windows of any detector.
PIECE_TICKS = 60_000

#: Seconds per revolution at 33 1/3, 45 and 78 rpm.
RPM_PERIODS_S = (1.8, 60 / 45, 60 / 78)
_RUMBLE_HZ = (4.0, 28.0)
_LEAST_CONSTANT = 2e-4  # -74 dBFS
_GROUPS_AT_ONCE, _SPECTRA_AT_ONCE = 256, 32
_QUIET_SHARE = 0.05  # where no groove noise was found, the quietest cells stand for it


def decibels(power: float) -> float:
    """Ten times the decimal logarithm, floored at -200 dB."""
    return float(10 * np.log10(max(power, 1e-20)))


@dataclass(frozen=True)
class Scene:
    """One side of a record with everything that was measured about its transfer.

    `rpm` is the record's speed when it is known.
    """

    seen: Measurements
    side: Side
    recording: Recording
    rpm: float | None = None

    def periods_s(self) -> tuple[float, ...]:
        """Seconds per revolution that are possible for this record."""
        if self.rpm is None:
            return RPM_PERIODS_S
        return (60 / (100 / 3 if round(self.rpm) == 33 else self.rpm),)

    def seconds(self, frame: float) -> float:
        """A treated frame on the recording's own time line, in seconds."""
        return frame / self.recording.rate_hz * self.recording.time_scale

    def clock(self, frame: float) -> str:
        """A treated frame as minutes and seconds, for a sentence."""
        minutes, seconds = divmod(self.seconds(frame), 60)
        return f"{int(minutes)}:{int(seconds):02d}"

    def captured(self, span: Span) -> slice:
        """The cells of the capture table that lie in a span of treated frames."""
        per_cell = self.seen.capture.cell_frames / self.recording.time_scale
        return slice(int(span.start / per_cell), int(np.ceil(span.end / per_cell)))

    def captured_frame(self, cell: float) -> int:
        """The treated frame at which a cell of the capture table starts."""
        return round(cell * self.seen.capture.cell_frames / self.recording.time_scale)

    def levels(self, span: Span) -> NDArray[np.float32]:
        """Mean squares of the 10 ms cells in a span, less any DC, shape (channels, cells)."""
        cell = self.seen.levels.cell_frames
        cells = slice(span.start // cell, -(-span.end // cell))
        power = self.seen.levels.mean_square[:, cells].copy()
        let_go(self.seen.levels.mean_square)
        constant, running = self._constant
        if not constant.any():
            return power
        edges = np.arange(cells.start, cells.start + power.shape[1] + 1) * cell
        at = np.minimum(edges / self.seen.events.tick_frames, self.seen.events.ticks)
        whole = np.arange(running.shape[1])
        sums = np.stack([np.interp(at, whole, row) for row in running])
        mean = np.diff(sums, axis=1) / np.maximum(np.diff(at), 1e-9)
        # The mean square of x - c is that of x, less 2 c times the mean of x, plus c squared.
        clear = (power + constant * (constant - 2 * mean)).astype(np.float32)
        return np.maximum(clear, np.float32(0))

    @cached_property
    def _constant(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """The converter's constant offset, which is no sound, shape (channels, 1); running sums.

        An offset that is too small to matter is given as 0.
        """
        events, channels = self.seen.events, self.seen.channels
        spans = [span for span in self.side.groove if span.frames > 0] or [self.side.needle_down]
        sums, ticks = np.zeros((channels, 1)), 0
        for first, last in (self.ticks(span) for span in spans):
            low = events.low_signal(first, last)
            sums += low.sum(axis=1, dtype=np.float64, keepdims=True)
            ticks += low.shape[1]
        mean = sums / max(1, ticks)
        constant = np.where(np.abs(mean) > _LEAST_CONSTANT, mean, 0.0)
        if not constant.any():
            return constant, np.zeros((channels, 1))
        low = events.low_signal(0, events.ticks)
        return constant, np.cumsum(np.pad(low, ((0, 0), (1, 0))), axis=1, dtype=np.float64)

    def borders(self) -> list[tuple[int, int]]:
        """First and last frame of what parts the music: gaps, and cuts without one, in order."""
        cuts = [track.span.start for track in self.side.tracks[1:]]
        gaps = [(span.start, span.end) for span in self.side.groove]
        return sorted([*gaps, *zip(cuts, cuts, strict=True)])

    def pieces(self) -> list[tuple[int, int]]:
        """First and last frame of the programme from one gap or cut to the next, in order.

        Each has a tempo of its own.
        """
        programme = self.side.programme
        edges = [programme.start]
        for start, end in self.borders():
            if programme.start < end and start < programme.end:
                edges += [max(start, edges[-1]), max(end, edges[-1])]
        edges.append(programme.end)
        return list(zip(edges[::2], edges[1::2], strict=True))

    def ticks(self, span: Span) -> tuple[int, int]:
        """First and last tick of the event table in a span."""
        tick = self.seen.events.tick_frames
        return span.start // tick, min(span.end // tick, self.seen.events.ticks)

    @property
    def ticks_per_second(self) -> float:
        """How many ticks of the event table make a second."""
        return self.seen.rate_hz / self.seen.events.tick_frames

    def low_band(
        self, band_hz: tuple[float, float], order: int, span: Span
    ) -> Iterator[NDArray[np.float32]]:
        """Band-pass the low signal over a span, piece by piece, so that memory stays the same.

        The response is a Butterworth filter's amplitude without its phase: nothing is shifted in time.

        Args:
            band_hz: the band's limits in Hz.
            order: of the Butterworth filter.
            span: what to filter; ends on whole ticks.

        Yields:
            Pieces in order, each (channels, ticks) of `PIECE_TICKS` ticks but for the last.
        """
        events = self.seen.events
        # Three seconds on, what came before has died away in every band that is asked for.
        margin = round(3 * self.ticks_per_second)
        first, last = self.ticks(span)
        for start in range(first, last, PIECE_TICKS):
            end = min(last, start + PIECE_TICKS)
            before = max(0, start - margin)
            after = min(events.ticks, end + margin)
            low = events.low_signal(before, after)
            size = scipy.fft.next_fast_len(low.shape[1] + margin, real=True)
            spectrum = scipy.fft.rfft(low, size)
            spectrum *= _butterworth(size, self.ticks_per_second, band_hz, order)
            yield scipy.fft.irfft(spectrum, size)[:, start - before : end - before]

    def edges_db(self, first: int, last: int) -> NDArray[np.float32]:
        """Hard edges in the treble and the middle on ticks, louder channel; shape (2, ticks)."""
        events = self.seen.events
        bands = (events.treble, events.middle)
        # Channels lie side by side in the tables; a maximum over so few takes ten times as long.
        codes = np.stack([np.maximum(band[0, first:last], band[-1, first:last]) for band in bands])
        for band in bands:
            let_go(band)
        return spike_db(codes)

    def groove_power(self) -> NDArray[np.float64]:
        """Mean square of the groove noise, shape (channels,); the median over its cells.

        Without a known stretch of groove noise, the quietest cells while the stylus was down.
        """
        pieces = [self.levels(span) for span in self.side.groove if span.frames > 0]
        if sum(piece.shape[1] for piece in pieces) >= 20:
            return np.asarray(np.median(np.concatenate(pieces, axis=1), axis=1))
        cells = self.levels(self.side.needle_down)
        if cells.shape[1] == 0:
            return np.zeros(self.seen.channels)
        return np.asarray(np.quantile(cells, _QUIET_SHARE, axis=1))

    def loud_power(self) -> float:
        """Mean square of the programme's loud places (the loudest hundredth), louder channel."""
        cells = self.levels(self.side.programme)
        return float(np.quantile(cells.max(axis=0), 0.99)) if cells.shape[1] else 0.0

    def some_spectra(self, most: int) -> NDArray[np.float32]:
        """So many mean power spectra at most, spread over the recording, (channels, spectra, bins)."""
        spectra = self.seen.events.spectra
        step = 1 + spectra.shape[1] // most
        parts = [spectra[:, :0]]
        for first in range(0, spectra.shape[1], step * _SPECTRA_AT_ONCE):
            parts.append(spectra[:, first : first + step * _SPECTRA_AT_ONCE : step].copy())
            let_go(spectra)
        return np.concatenate(parts, axis=1)

    def mean_spectra(self, *spans: Span) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Mean power spectra (channels, bins) and cross spectrum (bins,) of spans.

        Only groups that lie wholly inside count; without any, both are empty.
        """
        events = self.seen.events
        frames = events.group_cells * cell_frames(self.seen.rate_hz)
        power, cross, count = np.zeros((self.seen.channels, 0)), np.zeros(0), 0
        for span in spans:
            first, last = -(-span.start // frames), min(span.end // frames, len(events.cross))
            for start in range(first, last, _GROUPS_AT_ONCE):
                part = slice(start, min(last, start + _GROUPS_AT_ONCE))
                inside = events.spectra[:, part].sum(axis=1, dtype=np.float64)
                both = events.cross[part].sum(axis=0, dtype=np.float64)
                power, cross = (power + inside, cross + both) if count else (inside, both)
                count += part.stop - part.start
                let_go(events.spectra)
                let_go(events.cross)
        return power / max(1, count), cross / max(1, count)

    def groove_power_without_rumble(self) -> NDArray[np.float64]:
        """`groove_power` less what lies below 28 Hz, shape (channels,)."""
        spans = [span for span in self.side.groove if span.frames > 0] or [self.side.needle_down]
        tenth = round(0.1 * self.ticks_per_second)
        pieces = []
        for subsonic in (piece for span in spans for piece in self.low_band(_RUMBLE_HZ, 2, span)):
            whole = subsonic.shape[1] // tenth
            cut = subsonic[:, : whole * tenth].reshape(len(subsonic), whole, tenth)
            pieces.append((cut**2).mean(axis=2))
        tenths = np.concatenate(pieces, axis=1)
        power = self.groove_power()
        if not tenths.size:  # less than a tenth of a second
            return power
        rumble = np.median(tenths, axis=1)
        return np.asarray(np.maximum(power - rumble, 0.02 * power))

    def programme_power(self) -> NDArray[np.float64]:
        """Mean square of the programme, shape (channels,)."""
        cells = self.levels(self.side.programme)
        return (
            cells.mean(axis=1, dtype=np.float64) if cells.shape[1] else np.zeros(self.seen.channels)
        )


@lru_cache(maxsize=8)  # pieces are of one length, but for the first and the last
def _butterworth(
    size: int, rate_hz: float, band_hz: tuple[float, float], order: int
) -> NDArray[np.float32]:
    """Amplitude of a band-pass at the bins of a real transform of `size`, shape (bins,).

    As in the bilinear transform the frequencies up to half the rate stand for all, so that nothing is
    left near half the rate, where the decimated signal holds what folded back.
    """
    low, high = (np.tan(np.pi * edge_hz / rate_hz) for edge_hz in band_hz)
    warped = np.tan(np.pi * np.fft.rfftfreq(size))
    with np.errstate(divide="ignore"):
        place = (warped - low * high / warped) / (high - low)
    amplitude: NDArray[np.float32] = (1 / np.sqrt(1 + place ** (2 * order))).astype(np.float32)
    return amplitude


def worst(finding: Finding) -> int:
    """Order of severity: 0 for a note, 1 for listen, 2 for again."""
    return (Severity.NOTE, Severity.LISTEN, Severity.AGAIN).index(finding.severity)


def graded(value: float, *, listen: float, again: float) -> Severity:
    """Severity of a value that is worse the larger it is."""
    if value >= again:
        return Severity.AGAIN
    return Severity.LISTEN if value >= listen else Severity.NOTE


def channel_name(channel: int) -> str:
    """The name of a channel in a sentence."""
    return ("left", "right")[channel]


def stretches(marks: NDArray[np.bool_], *, join: int = 0) -> list[tuple[int, int]]:
    """Runs of true values as (first, past the last), those at most `join` apart made one."""
    edges = np.diff(np.concatenate(([False], marks, [False])).astype(np.int8))
    starts, ends = np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)
    joined: list[tuple[int, int]] = []
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        if joined and start - joined[-1][1] <= join:
            joined[-1] = (joined[-1][0], end)
        else:
            joined.append((start, end))
    return joined
