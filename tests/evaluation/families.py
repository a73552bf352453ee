"""The families of sides, each a way in which records and the people who play them differ."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from composer import (
    Applause,
    Chamber,
    Dip,
    Electronics,
    Groove,
    SideSpec,
    Silence,
    Solo,
    Speech,
    Track,
)
from evaluation import material
from evaluation.cases import Case

Rng = np.random.Generator
Make = Callable[[int, Rng], Case]


def _groove(rng: Rng) -> Groove:
    return Groove(
        level_dbfs=float(rng.uniform(-70, -50)),
        vertical_db=float(rng.uniform(-12, 2)),
        crackle_per_s=float(rng.choice((0.2, 1, 3, 8, 20))),
        crackle_peak_dbfs=float(rng.uniform(-44, -30)),
    )


def _tracks(rng: Rng, count: int, low_s: float = 44, high_s: float = 62) -> tuple[Track, ...]:
    return tuple(
        Track(
            material.title(index),
            material.any_music(rng),
            float(rng.uniform(low_s, high_s)),
            gap_s=float(rng.uniform(0.9, 4.5)),
            fade_out_s=float(rng.choice((0.3, 1.5, 6.0))),
        )
        for index in range(count)
    )


def _spec(rng: Rng, tracks: tuple[Track, ...], **changes: object) -> SideSpec:
    spec = SideSpec(
        tracks=tracks,
        seed=int(rng.integers(1 << 30)),
        lead_in_s=float(rng.uniform(1.5, 5)),
        run_out_s=float(rng.uniform(2, 6)),
        locked_s=float(rng.uniform(4, 20)),
        groove=_groove(rng),
        imbalance_db=float(rng.uniform(-2.5, 2.5)),
        peak_dbfs=float(rng.uniform(-12, -1)),
    )
    return replace(spec, **changes)  # type: ignore[arg-type]


def _album(index: int, rng: Rng) -> Case:
    spec = _spec(rng, _tracks(rng, 2 + index % 4))
    asks = ("count", "none", "more", "fewer", "lengths", "wrong lengths")
    return Case(f"album-{index}", "album", spec, asks=asks)


def _produced(index: int, rng: Rng) -> Case:
    tracks = tuple(
        replace(track, programme=material.produced(rng)) for track in _tracks(rng, 2 + index % 2)
    )
    spec = _spec(rng, tracks, imbalance_db=(-4.0, -1.2, 0.0, 0.6, 2.0, 4.0)[index % 6])
    return Case(f"produced-{index}", "produced", spec, centre=True)


def _uneven(index: int, rng: Rng) -> Case:
    tracks = tuple(
        replace(track, programme=material.uncentred(index, rng)) for track in _tracks(rng, 2)
    )
    return Case(f"uneven-{index}", "uneven mix", _spec(rng, tracks, imbalance_db=0.0), centre=False)


def _many(index: int, rng: Rng) -> Case:
    return Case(f"many-{index}", "12 tracks", _spec(rng, _tracks(rng, 12, 43, 52)))


def _single(index: int, rng: Rng) -> Case:
    tracks = (Track("Flood", material.produced(rng), float(rng.uniform(120, 200)), fade_out_s=2.0),)
    return Case(f"single-{index}", "single, 45 rpm", _spec(rng, tracks, rpm=45.0), centre=True)


def _segue(index: int, rng: Rng) -> Case:
    tracks = tuple(
        replace(
            track, gap_s=(0.0, -1.5, 2.0)[(index + place) % 3], fade_out_s=(0.0, 3.0)[place % 2]
        )
        for place, track in enumerate(_tracks(rng, 3))
    )
    return Case(f"segue-{index}", "segue", _spec(rng, tracks), asks=("lengths", "count"))


def _fade(index: int, rng: Rng) -> Case:
    tracks = tuple(
        replace(
            track, fade_out_s=float(rng.uniform(12, 25)), fade_in_s=(0.0, 8.0)[(index + place) % 2]
        )
        for place, track in enumerate(_tracks(rng, 3))
    )
    return Case(f"fade-{index}", "long fades", _spec(rng, tracks))


def _cold(index: int, rng: Rng) -> Case:
    tracks = tuple(
        replace(track, fade_out_s=0.0, gap_s=float(rng.uniform(0.8, 1.5)))
        for track in _tracks(rng, 3)
    )
    return Case(f"cold-{index}", "cold starts", _spec(rng, tracks))


def _sinking(index: int, rng: Rng) -> Case:
    depth_db = float(rng.uniform(35, 60))
    tracks = tuple(
        replace(
            track,
            programme=Chamber(key=place, range_db=22) if (place + index) % 2 else Solo(key=place),
            fade_in_s=float(rng.choice((0.0, 6.0))),
            dips=(Dip(25.0 + 3 * place, float(rng.uniform(1.5, 5.0)), depth_db),),
        )
        for place, track in enumerate(_tracks(rng, 3, 50, 65))
    )
    return Case(f"sinking-{index}", "sinks into the noise", _spec(rng, tracks))


def _silent(index: int, rng: Rng) -> Case:
    tracks = tuple(
        replace(track, silences=(Silence(18.0 + 5 * place, float(rng.uniform(1.0, 4.0))),))
        for place, track in enumerate(_tracks(rng, 3))
    )
    return Case(f"silence-{index}", "silence inside", _spec(rng, tracks))


def _spoken(index: int, rng: Rng) -> Case:
    speakers = [Speech(pitch_hz=float(rng.uniform(95, 220))) for _ in range(3)]
    tracks = tuple(
        replace(track, programme=speaker, gap_s=float(rng.uniform(2.5, 5)), fade_out_s=0.1)
        for speaker, track in zip(speakers, _tracks(rng, 3), strict=True)
    )
    return Case(f"spoken-{index}", "spoken word", _spec(rng, tracks[: 1 + index % 3]), centre=True)


def _live(index: int, rng: Rng) -> Case:
    applauded: list[Track] = []
    for track in _tracks(rng, 3):
        applauded.append(replace(track, gap_s=-1.0, fade_out_s=0.5))
        clapping_s = float(rng.uniform(6, 12))
        applauded.append(
            Track(
                "Applause",
                Applause(),
                clapping_s,
                gap_s=-0.6,
                fade_in_s=0.8,
                fade_out_s=clapping_s * 0.7,
                gain_db=-7.0,
                interlude=True,
            )
        )
    asks = ("count", "lengths")
    return Case(f"live-{index}", "applause", _spec(rng, tuple(applauded)), asks=asks)


def _late(index: int, rng: Rng) -> Case:
    spec = _spec(rng, _tracks(rng, 2), lead_in_s=-float(rng.uniform(0.5, 6)))
    return Case(f"late-{index}", "needle dropped late", spec, clean=False)


def _early(index: int, rng: Rng) -> Case:
    spec = _spec(rng, _tracks(rng, 2), run_out_s=-float(rng.uniform(0.5, 6)))
    return Case(f"early-{index}", "needle lifted early", spec, clean=False)


def _forgotten(index: int, rng: Rng) -> Case:
    spec = _spec(rng, _tracks(rng, 2), locked_s=600.0)
    return Case(f"forgotten-{index}", "ten minutes of run-out", spec)


def _needle_up(index: int, rng: Rng) -> Case:
    electronics = Electronics(
        hiss_dbfs=float(rng.uniform(-80, -68)), hum_dbfs=float(rng.uniform(-76, -68))
    )
    spec = _spec(
        rng,
        _tracks(rng, 2),
        electronics=electronics,
        needle_up_before_s=float(rng.uniform(8, 25)),
        needle_up_after_s=float(rng.uniform(8, 25)),
    )
    return Case(f"needle-up-{index}", "needle-up hiss", spec)


def _knocked(index: int, rng: Rng) -> Case:
    spec = _spec(rng, _tracks(rng, 2), lead_in_s=5.0, run_out_s=6.0)
    ends_s = spec.needle_up_before_s + 5.0 + sum(t.length_s + t.gap_s for t in spec.tracks)
    place_s = (spec.needle_up_before_s + 2.8, ends_s - spec.tracks[-1].gap_s + 2.5)[index % 2]
    spec = replace(spec, thumps_s=(place_s,))
    return Case(f"knock-{index}", "thump in the groove", spec, clean=False)


def _offset(index: int, rng: Rng) -> Case:
    dc = (float(rng.uniform(-0.01, 0.01)), float(rng.uniform(-0.01, 0.01)))
    return Case(
        f"dc-{index}", "DC offset", _spec(rng, _tracks(rng, 2), electronics=Electronics(dc=dc))
    )


def _quiet(index: int, rng: Rng) -> Case:
    spec = _spec(rng, _tracks(rng, 2), peak_dbfs=(-24.0, -20.0)[index % 2])
    spec = replace(spec, groove=replace(spec.groove, level_dbfs=float(rng.uniform(-70, -62))))
    return Case(f"quiet-{index}", "peak -24 dBFS", spec)


def _noisy(index: int, rng: Rng) -> Case:
    spec = _spec(rng, _tracks(rng, 2), electronics=Electronics(hum_dbfs=(-66.0, -60.0)[index % 2]))
    groove = Groove(
        level_dbfs=-48.0,
        vertical_db=(-12.0, 4.0)[index // 2 % 2],
        rumble_dbfs=(-50.0, -44.0)[index % 2],
        crackle_per_s=20.0,
    )
    return Case(f"noisy-{index}", "noisy", replace(spec, groove=groove), clean=False)


def _fast(index: int, rng: Rng) -> Case:
    spec = _spec(rng, _tracks(rng, 2 + index % 2), rate_hz=96_000)
    return Case(f"96k-{index}", "96 kHz", spec)


def _hot(index: int, rng: Rng) -> Case:
    return Case(f"hot-{index}", "peak 0 dBFS", _spec(rng, _tracks(rng, 2), peak_dbfs=-0.1))


def _real(index: int, rng: Rng) -> Case:
    count = 2 + index % 3
    tracks = tuple(
        material.real_track(7 * index + 3 * place, rng, float(rng.uniform(0.9, 4)))
        for place in range(count)
    )
    asks = ("count", "none", "more", "lengths")
    return Case(f"real-{index}", "real music", _spec(rng, tracks), asks=asks, real=True)


def _bedded(index: int, rng: Rng) -> Case:
    beds = material.real_noise()
    tracks = (
        tuple(
            material.real_track(5 * index + place, rng, float(rng.uniform(1.2, 4)))
            for place in range(2)
        )
        if material.real_music()
        else _tracks(rng, 2)
    )
    groove = Groove(
        level_dbfs=float(rng.uniform(-66, -52)), crackle_per_s=0.0, bed=beds[index % len(beds)]
    )
    spec = _spec(rng, tracks, groove=groove)
    return Case(f"bed-{index}", "real groove noise", spec, real=True)


FAMILIES: dict[str, tuple[int, Make]] = {
    "album": (8, _album),
    "produced": (6, _produced),
    "uneven mix": (6, _uneven),
    "12 tracks": (2, _many),
    "single, 45 rpm": (3, _single),
    "segue": (4, _segue),
    "long fades": (4, _fade),
    "cold starts": (3, _cold),
    "sinks into the noise": (5, _sinking),
    "silence inside": (4, _silent),
    "spoken word": (4, _spoken),
    "applause": (3, _live),
    "needle dropped late": (3, _late),
    "needle lifted early": (3, _early),
    "ten minutes of run-out": (1, _forgotten),
    "needle-up hiss": (3, _needle_up),
    "thump in the groove": (2, _knocked),
    "DC offset": (2, _offset),
    "peak -24 dBFS": (2, _quiet),
    "peak 0 dBFS": (2, _hot),
    "noisy": (3, _noisy),
    "96 kHz": (3, _fast),
    "real music": (10, _real),
    "real groove noise": (4, _bedded),
}


def cases(seed: int = 0) -> Iterator[Case]:
    """Give all sides, the real ones only when the material is installed.

    Args:
        seed: other numbers give other sides of the same families, to see that nothing is tuned to
            the usual ones.
    """
    for family, (count, make) in FAMILIES.items():
        if family == "real music" and not material.real_music():
            continue
        if family == "real groove noise" and not material.real_noise():
            continue
        for index in range(count):
            salt = f"{seed} " if seed else ""
            drawn = zlib.crc32(f"{salt}{family} {index}".encode())
            case = make(index, np.random.default_rng(drawn))
            yield replace(case, name=f"{case.name}.{seed}") if seed else case
