"""The spectral part of the events: mean spectra, and the strongest partials of every cell."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.gathering import Spool
from sidekeep.dsp.spectra import Spectra, bin_hz

_STRIDE = 4  # one cell in four enters the mean spectra
_GROUP = 64  # cells per mean spectrum, about 1.4 s
_TONES = 6
_TONE_RANGE_HZ = (180.0, 3500.0)
_TONE_SHARE = 1e-3  # partials more than 30 dB under the cell's strongest are left out


class SpectrumMeter:
    """Fills `spectra` and `cross` of the event table."""

    group_cells = _GROUP

    def __init__(self, channels: int) -> None:
        self._channels = channels
        self._cells = 0
        self._rest: Spectra | None = None
        self._groups = Spool(axis=1)
        self._empty = True

    def update(self, spectra: Spectra) -> None:
        """Take the next cells, shape (channels, cells, bins)."""
        first = -self._cells % _STRIDE
        self._cells += spectra.shape[1]
        some = spectra[:, first::_STRIDE]
        if self._rest is not None:
            some = np.concatenate((self._rest, some), axis=1)
        size = _GROUP // _STRIDE
        groups = some.shape[1] // size
        self._rest = some[:, groups * size :].copy()
        if groups:
            self._add(some[:, : groups * size].reshape(some.shape[0], groups, size, -1))

    def _add(self, cells: Spectra) -> None:
        power = (cells.real**2 + cells.imag**2).mean(axis=2)
        left, right = cells[0], cells[-1]
        cross = (left.real * right.real + left.imag * right.imag).mean(axis=1)
        self._groups.append(np.concatenate((power, cross[np.newaxis])))
        self._empty = False

    def finish(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Return spectra (channels, groups, bins) and cross (groups, bins); the rest is a group."""
        if self._rest is not None and self._rest.shape[1]:
            self._add(self._rest[:, np.newaxis])
            self._rest = self._rest[:, :0]
        if self._empty:
            return np.zeros((self._channels, 0, 0), np.float32), np.zeros((0, 0), np.float32)
        groups = self._groups.table()
        return groups[:-1], groups[-1]


class ToneMeter:
    """Fills `tone_hz` of the event table.

    A steady partial turns its phase, from one cell to the next, by its frequency times the cell's
    length; the place of the peak between bins tells the number of whole turns.
    """

    def __init__(self, rate_hz: int) -> None:
        centres = bin_hz(rate_hz)
        self._bin_hz = float(centres[1])
        self._first = int(np.searchsorted(centres, _TONE_RANGE_HZ[0]))
        self._last = int(np.searchsorted(centres, _TONE_RANGE_HZ[1]))
        self._before: Spectra | None = None
        self._tones = Spool(0, np.zeros((0, _TONES), np.float32))

    def update(self, spectra: Spectra) -> None:
        """Take the next cells, shape (channels, cells, bins)."""
        if not spectra.shape[1]:
            return
        mono = spectra[:, :, self._first - 1 : self._last + 1].sum(axis=0)
        before = mono[:1] * 0 if self._before is None else self._before
        self._before = mono[-1:]
        self._add(mono, np.concatenate((before, mono[:-1])))

    def _add(self, mono: Spectra, before: Spectra) -> None:
        power = mono.real**2 + mono.imag**2
        middle = power[:, 1:-1]
        is_peak = (middle > power[:, :-2]) & (middle >= power[:, 2:])
        is_peak &= middle > _TONE_SHARE * middle.max(axis=1, keepdims=True)
        ranked = np.argpartition(np.where(is_peak, -middle, 0), _TONES, axis=1)[:, :_TONES]
        cell = np.arange(mono.shape[0])[:, np.newaxis]
        size = np.sqrt(power)
        here, lower, upper = (size[cell, ranked + shift] for shift in (1, 0, 2))
        # A Hann window's two largest bins a, b give the place between them as (2b - a) / (a + b).
        up = (2 * upper - here) / np.maximum(upper + here, 1e-12)
        down = (2 * lower - here) / np.maximum(lower + here, 1e-12)
        place = np.where(upper >= lower, up, -down)
        turn = np.angle(mono[cell, ranked + 1] * before[cell, ranked + 1].conj()) / (2 * np.pi)
        bins = ranked + self._first + place
        bins = turn + np.rint(bins - turn)
        found = is_peak[cell, ranked] & (np.abs(before[cell, ranked + 1]) > 0.1 * here)
        self._tones.append(np.where(found, bins * self._bin_hz, 0).astype(np.float32))

    def finish(self) -> NDArray[np.float32]:
        """Return the partials in Hz, shape (cells, tones)."""
        return self._tones.table()
