"""Composes one side of a record as a recorder would capture it, with its exact ground truth."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy import signal

from composer import noise
from composer.audible import audible_bounds, band_powers
from composer.noise import Samples, amplitude
from composer.programme import Track
from composer.recorded import recorded_bed
from composer.truth import TrackTruth, Truth


@dataclass(frozen=True, slots=True)
class Groove:
    """The groove: noise level (broadband), its character, dust; or a real recording as its bed."""

    level_dbfs: float = -60.0
    vertical_db: float = -3.0
    rumble_dbfs: float | None = None
    rumble_vertical: bool = True
    crackle_per_s: float = 2.0
    crackle_peak_dbfs: float = -36.0
    tick_peak_dbfs: float = -30.0
    bed: Path | None = None


@dataclass(frozen=True, slots=True)
class Electronics:
    """Everything behind the cartridge: heard with the needle up as well."""

    hiss_dbfs: float = -84.0
    hum_dbfs: float | None = None
    mains_hz: float = 50.0
    dc: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True)
class SideSpec:
    """A side to be composed.

    Times in order: needle up, drop, lead-in, tracks, run-out (spiral), locked groove, lift, needle
    up. A negative `lead_in_s` drops the needle that far into the music; a negative `run_out_s`
    lifts it that long before the end (then there is no locked groove). `imbalance_db` is positive
    when the left channel is captured louder; `peak_dbfs` is the programme's peak as recorded.
    """

    tracks: tuple[Track, ...]
    seed: int = 1
    rate_hz: int = 44_100
    rpm: float = 100 / 3
    needle_up_before_s: float = 2.0
    lead_in_s: float = 3.0
    run_out_s: float = 4.0
    locked_s: float = 12.0
    needle_up_after_s: float = 2.0
    groove: Groove = Groove()
    electronics: Electronics = Electronics()
    imbalance_db: float = 0.0
    crosstalk_db: float = -32.0
    peak_dbfs: float = -6.0
    landing_peak_dbfs: float = -14.0
    thumps_s: tuple[float, ...] = ()

    @property
    def turn_s(self) -> float:
        """Seconds per revolution."""
        return 60 / self.rpm


@dataclass(frozen=True, slots=True)
class ComposedSide:
    """Samples (channels, frames), full scale = 1.0, and what is true about them."""

    samples: Samples
    rate_hz: int
    truth: Truth

    def with_samples(self, samples: Samples) -> ComposedSide:
        """Give the side with other samples of the same time line."""
        return replace(self, samples=samples)


def compose(spec: SideSpec) -> ComposedSide:
    """Compose a side; the same spec gives the same samples.

    Args:
        spec: what to compose.

    Returns:
        The side, not yet quantised (see `composer.writing`), and its truth.
    """
    rate_hz = spec.rate_hz
    starts_s = _track_starts(spec)
    music_end_s = starts_s[-1] + spec.tracks[-1].length_s
    down_s = spec.needle_up_before_s
    locked_s = music_end_s + spec.run_out_s if spec.run_out_s >= 0 and spec.locked_s > 0 else None
    lift_s = music_end_s + spec.run_out_s + (spec.locked_s if locked_s is not None else 0.0)
    frames = round((lift_s + spec.needle_up_after_s) * rate_hz)
    down, lift = round(down_s * rate_hz), round(lift_s * rate_hz)
    seeds = np.random.SeedSequence(spec.seed).spawn(4 + len(spec.tracks))
    groove_rng, dust_rng, needle_rng, hiss_rng = (np.random.default_rng(s) for s in seeds[:4])

    turns = None if locked_s is None else round(locked_s * rate_hz)
    sound = np.zeros((2, frames))
    bed = _groove(spec, lift - down, None if turns is None else turns - down, groove_rng, dust_rng)
    quiet = bed[:, : min(bed.shape[1], round(20 * rate_hz))]
    powers = np.median(band_powers(quiet, rate_hz), axis=1) / np.log(2)

    cut: list[tuple[Track, int, Samples]] = []
    for track, start_s, seed in zip(spec.tracks, starts_s, seeds[4:], strict=True):
        programme = track.render(rate_hz, np.random.default_rng(seed))
        cut.append((track, round(start_s * rate_hz), programme))
        noise.add(sound, cut[-1][1], programme)
    sound = signal.sosfilt(_cutter(rate_hz), sound, axis=1)
    sound[:, :down] = 0.0
    sound[:, lift:] = 0.0
    sides = np.array([[amplitude(spec.imbalance_db / 2)], [amplitude(-spec.imbalance_db / 2)]])
    leak = amplitude(spec.crosstalk_db)
    mix = sides * np.array([[1.0, leak], [leak, 1.0]])
    loudest = max(float(np.abs(row @ sound).max()) for row in mix)
    scale = amplitude(spec.peak_dbfs) / max(loudest, 1e-9)
    truths = tuple(
        _track_truth(
            track,
            start,
            programme,
            needle=(down, lift),
            noise_powers=powers / scale**2,
            rate_hz=rate_hz,
        )
        for track, start, programme in cut
    )
    cut.clear()
    sound *= scale
    sound[:, down:lift] += bed
    for thump_s in spec.thumps_s:
        knock = noise.thump(rate_hz, needle_rng, peak_dbfs=-16)
        noise.add(sound, round(thump_s * rate_hz), knock)
    for row in np.split(sound, range(1 << 20, frames, 1 << 20), axis=1):
        row[:] = mix @ row
    landing = noise.thump(rate_hz, needle_rng, peak_dbfs=spec.landing_peak_dbfs)
    noise.add(sound, down, landing)
    leaving = noise.thump(rate_hz, needle_rng, peak_dbfs=spec.landing_peak_dbfs - 4)
    noise.add(sound, lift, leaving[:, : round(0.15 * rate_hz)])
    _add_electronics(sound, spec, hiss_rng)
    truth = Truth(
        rate_hz=rate_hz,
        duration_s=frames / rate_hz,
        rpm=spec.rpm,
        needle_down_s=down_s,
        needle_up_s=lift_s,
        locked_s=locked_s,
        tracks=truths,
        balance_db=spec.imbalance_db,
        has_centre=any(track.programme.has_centre for track in spec.tracks),
        groove_dbfs=spec.groove.level_dbfs,
    )
    for thump_s in spec.thumps_s:
        truth = truth.with_fault("thumps", thump_s, thump_s + 0.5, 1.0)
    return ComposedSide(sound, rate_hz, truth)


def _cutter(rate_hz: int) -> Samples:
    """A cutting head gives next to nothing above 20 kHz; a tick of dust does.

    Nor is anything cut below 20 Hz, which would only take room (common practice, no source).
    """
    highest_hz = min(20_000, 0.454 * rate_hz)
    treble = signal.butter(6, highest_hz, "lowpass", fs=rate_hz, output="sos")
    bass = signal.butter(2, 20, "highpass", fs=rate_hz, output="sos")
    sections: Samples = np.concatenate((bass, treble))
    return sections


def _track_starts(spec: SideSpec) -> list[float]:
    at_s = spec.needle_up_before_s + spec.lead_in_s
    starts_s: list[float] = []
    for track in spec.tracks:
        starts_s.append(at_s)
        at_s += track.length_s + track.gap_s
    return starts_s


def _groove(
    spec: SideSpec,
    frames: int,
    locked: int | None,
    groove_rng: np.random.Generator,
    dust_rng: np.random.Generator,
) -> Samples:
    """Groove noise for as long as the needle is down; from `locked` on it repeats every turn."""
    groove, rate_hz = spec.groove, spec.rate_hz
    turn = round(spec.turn_s * rate_hz)
    own = frames if locked is None else locked + turn
    if groove.bed is None:
        bed = noise.groove_bed(
            rate_hz,
            own,
            groove_rng,
            level_dbfs=groove.level_dbfs,
            vertical_db=groove.vertical_db,
            turn_s=spec.turn_s,
        )
    else:
        bed = recorded_bed(groove.bed, rate_hz, own, groove_rng, level_dbfs=groove.level_dbfs)
    if groove.rumble_dbfs is not None:
        bed += noise.rumble(
            rate_hz, own, groove_rng, level_dbfs=groove.rumble_dbfs, vertical=groove.rumble_vertical
        )
    if groove.crackle_per_s:
        bed += noise.crackle(
            rate_hz,
            own,
            dust_rng,
            per_s=groove.crackle_per_s,
            peak_dbfs=groove.crackle_peak_dbfs,
        )
    tick = noise.run_out_tick(rate_hz, dust_rng, peak_dbfs=groove.tick_peak_dbfs)
    if locked is None:
        return bed
    noise.add(bed, locked + turn // 3, tick)
    once = bed[:, locked : locked + turn].copy()
    seam = min(round(0.005 * rate_hz), locked)
    rise = np.linspace(0, 1, seam)
    once[:, turn - seam :] *= rise[::-1]
    once[:, turn - seam :] += rise * bed[:, locked - seam : locked]
    repeats = -(-(frames - locked) // turn)
    return np.concatenate((bed[:, :locked], np.tile(once, repeats)), axis=1)[:, :frames]


def _track_truth(
    track: Track,
    start: int,
    programme: Samples,
    *,
    needle: tuple[int, int],
    noise_powers: Samples,
    rate_hz: int,
) -> TrackTruth:
    down, lift = needle
    inside = programme[:, max(0, down - start) : max(0, lift - start)]
    offset = max(start, down)
    first, last = audible_bounds(inside, noise_powers, rate_hz)
    return TrackTruth(
        title=track.title,
        start_s=offset / rate_hz,
        end_s=(offset + inside.shape[1]) / rate_hz,
        audible_start_s=(offset + first) / rate_hz,
        audible_end_s=(offset + last) / rate_hz,
        interlude=track.interlude,
    )


def _add_electronics(sound: Samples, spec: SideSpec, rng: np.random.Generator) -> None:
    electronics, frames = spec.electronics, sound.shape[1]
    sound += noise.hiss(frames, electronics.hiss_dbfs, rng)
    if electronics.hum_dbfs is not None:
        sound += noise.hum(
            spec.rate_hz,
            frames,
            mains_hz=electronics.mains_hz,
            level_dbfs=electronics.hum_dbfs,
        )
    sound += np.asarray(electronics.dc)[:, np.newaxis]


def join(first: ComposedSide, second: ComposedSide, between_s: float = 8.0) -> ComposedSide:
    """Both sides in one recording, the record turned in between; the tracks of both follow on.

    Raises:
        ValueError: when the sample rates differ.
    """
    if first.rate_hz != second.rate_hz:
        message = f"sample rates differ: {first.rate_hz} and {second.rate_hz} Hz"
        raise ValueError(message)
    rng = np.random.default_rng(len(first.truth.tracks))
    pause = noise.hiss(round(between_s * first.rate_hz), -84.0, rng)
    samples = np.concatenate((first.samples, pause, second.samples), axis=1)
    offset_s = first.truth.duration_s + pause.shape[1] / first.rate_hz
    later = second.truth.moved(lambda time_s: time_s + offset_s)
    truth = replace(
        first.truth,
        duration_s=samples.shape[1] / first.rate_hz,
        needle_up_s=later.needle_up_s,
        tracks=(*first.truth.tracks, *later.tracks),
        faults=(*first.truth.faults, *later.faults),
    )
    return ComposedSide(samples, first.rate_hz, truth)
