"""Inner distortion: treble that is traced worse and worse toward the end of the side."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sidekeep.dsp.tracing import TracingTable
from sidekeep.findings.scene import Scene
from sidekeep.model import Finding, Severity, Span

_LATE = 2 / 3  # part of the programme after which the grooves are narrow
_STRETCHES = 12
_LOUDEST = 0.98  # no single click or cymbal weighs more than this quantile
_LEAST_STEPS = 40  # seven seconds
_SURE = 12.0  # against chance; treble that is much alike for long reaches 11 without any fault
_STEADY = 0.6  # part of it that may be there early on; percussion has as much throughout
_IN_PHASE = 0.75  # 1 where the bands agree wholly, about 0.4 where they do so by chance
_HALF = 0.5  # of what the last third has on the whole


@dataclass(frozen=True)
class _Part:
    """How much of the treble's square is in the difference of the channels, complex (bands,).

    `weight` (bands,) is the inverse of the variance that chance gives it, `steps` what it rests on.
    """

    share: NDArray[np.complex128]
    weight: NDArray[np.float64]
    steps: int

    def over_chance(self) -> float:
        """Its size against that of chance."""
        return float(np.sqrt((self.weight * np.abs(self.share) ** 2).sum()))

    def in_phase(self) -> float:
        """How well the bands agree on one phase, 0 to 1.

        A stylus bends all of the treble in the same way; effects in a mix, which may stay the same
        for minutes, have another phase in every band.
        """
        sizes = np.sqrt(self.weight) * self.share
        return float(np.abs(sizes.sum()) / max(float(np.abs(sizes).sum()), 1e-30))

    def of(self, other: _Part) -> float:
        """How strong it is, as a part of another one, in the other one's phase."""
        both = (other.weight * (other.share.conj() * self.share).real).sum()
        return float(both / max(other.over_chance() ** 2, 1e-30))

    def growth_from(self, other: _Part) -> float:
        """How far it is from another one, against chance."""
        variance = 1 / self.weight + 1 / other.weight
        return float(np.sqrt((np.abs(self.share - other.share) ** 2 / variance).sum()))


class _Fit:
    """The treble's square fitted to the difference of the channels, step by step.

    The difference is music and noise; each step weighs by the inverse of their power.
    """

    def __init__(self, table: TracingTable, first: int, last: int) -> None:
        difference = table.difference[first:last].astype(np.float64)
        heard = difference.min(axis=1, initial=np.inf) > 0
        scale = table.bins / np.where(heard[:, np.newaxis], difference, np.inf)
        weight = table.product[first:last] * scale
        most = np.quantile(weight, _LOUDEST, axis=0) if len(weight) else 0.0
        tame = np.minimum(1, most / np.maximum(weight, 1e-30))
        self._heard = heard
        self._weight = weight * tame
        self._fitted = table.cross[first:last] * scale * tame

    def part(self, start: float, end: float) -> _Part:
        """Put together what lies between two parts of the whole, 0 to 1."""
        cut = slice(round(start * len(self._heard)), round(end * len(self._heard)))
        weight = self._weight[cut].sum(axis=0) + 1e-30
        share = self._fitted[cut].sum(axis=0) / weight
        return _Part(share, weight, int(self._heard[cut].sum()))


def find(scene: Scene, *, listen_percent: float) -> tuple[Finding, ...]:
    """Follow what the treble's square gives to the difference of the channels.

    Bright music at the end has treble, but none that comes from the square of other treble;
    instruments beside the centre may have some, but as much early as late.

    Args:
        scene: the side.
        listen_percent: part of the channels' difference above 8 kHz that must follow the treble's
            square in the last third to be worth hearing.
    """
    table, programme = scene.seen.tracing, scene.side.programme
    fit = _Fit(table, programme.start // table.step_frames, programme.end // table.step_frames)
    early, late = fit.part(0.0, _LATE), fit.part(_LATE, 1.0)
    if min(early.steps, late.steps) < _LEAST_STEPS:
        return ()
    percent = 100 * late.over_chance() ** 2 / (late.steps * float(table.bins.sum()))
    if min(late.over_chance(), late.growth_from(early)) < _SURE or late.in_phase() < _IN_PHASE:
        return ()
    if early.of(late) > _STEADY or percent < listen_percent:
        return ()
    stretches = [fit.part(k / _STRETCHES, (k + 1) / _STRETCHES).of(late) for k in range(_STRETCHES)]
    weak = [k for k in range(_STRETCHES * 2 // 3, _STRETCHES - 1) if stretches[k] < _HALF]
    start = (weak[-1] + 1 if weak else round(_LATE * _STRETCHES)) / _STRETCHES
    span = Span(round(programme.start + start * programme.frames), programme.end)
    detail = f"The treble is distorted from {scene.clock(span.start)} on, more toward the end."
    numbers = {
        "distorted_percent": round(percent, 2),
        "over_chance": round(late.over_chance(), 1),
        "early_over_late": round(early.of(late), 2),
        "in_phase": round(late.in_phase(), 2),
    }
    return (Finding("inner distortion", Severity.LISTEN, span, detail, numbers),)
