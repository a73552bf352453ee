"""The demonstration's scenario: composes the sides and drops them, with their sheets, into an inbox."""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from matplotlib import image

from composer import (
    Band,
    Chamber,
    Electronics,
    Groove,
    Loop,
    SideSpec,
    Solo,
    Speech,
    Track,
    compose,
    sheet_text,
    write,
)
from composer.faults import FAULTS

ALBUM = "Marlow and the Tide Tables - Low Water"
SINGLE = "club/Harbour Lights - Perigee"
TALK = "spoken word/Edda Quill - Letters from the Lightship"
WORN = "Brackish - Undertow"

ALBUM_SIDES = {
    "A": (
        Track("Slack Water", Band(92, key=2, scale=1), 58, gap_s=2.6, fade_out_s=5),
        Track("Ebb", Chamber(key=7), 52, gap_s=2.2, fade_in_s=1.5, fade_out_s=3),
        Track("The Harbour Master's Daughter", Band(118, key=-3), 61, fade_out_s=1),
    ),
    "B": (
        Track("Neap", Solo(key=5, place=0.15), 50, gap_s=3.1, fade_out_s=2),
        Track("Spring", Band(126, key=4, scale=2, brightness=0.5), 72, fade_out_s=9),
    ),
}
SINGLE_TRACKS = (Track("Perigee", Loop(126, key=5), 148, fade_out_s=6),)
TALK_TRACKS = (
    Track("First Letter", Speech(112), 64, gap_s=4.0),
    Track("Second Letter", Speech(112), 70),
)
WORN_TRACKS = (
    Track("Undertow", Band(104, key=1), 66, gap_s=2.4, fade_out_s=2),
    Track("Wrack Line", Band(88, key=-4, scale=1), 58, fade_out_s=6),
)


def album_side(label: str, path: Path) -> None:
    """A quiet pressing; the cartridge gives the left channel a little more."""
    spec = SideSpec(
        ALBUM_SIDES[label],
        seed=ord(label),
        groove=Groove(level_dbfs=-63, crackle_per_s=1.5),
        imbalance_db=1.1,
        peak_dbfs=-7.5,
    )
    write(compose(spec), path)


def single(path: Path) -> None:
    """A loud 12-inch at 45 rpm, captured at 96 kHz."""
    spec = SideSpec(
        SINGLE_TRACKS,
        seed=45,
        rate_hz=96_000,
        rpm=45,
        groove=Groove(level_dbfs=-60, crackle_per_s=3),
        imbalance_db=-0.7,
        peak_dbfs=-3,
    )
    write(compose(spec), path)


def talk(path: Path) -> None:
    """A talking record with some hum from the preamplifier."""
    spec = SideSpec(
        TALK_TRACKS,
        seed=7,
        groove=Groove(level_dbfs=-61, vertical_db=-12, crackle_per_s=4),
        electronics=Electronics(hum_dbfs=-74),
        peak_dbfs=-9,
    )
    write(compose(spec), path, bits=16)


def worn(path: Path) -> None:
    """A good record until the stylus falls back into the same groove, three times."""
    spec = SideSpec(WORN_TRACKS, seed=11, groove=Groove(crackle_per_s=5), peak_dbfs=-6)
    write(FAULTS["locked groove"](compose(spec), 95.0, 1.5, 3), path)


def not_audio(path: Path) -> None:
    """A note that somebody gave the wrong name."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("milk, bread, inner sleeves (50), a new belt for the deck\n", encoding="utf-8")


def cover(path: Path) -> None:
    """A front cover: a moon over four bands of water."""
    down, across = np.mgrid[0:1:480j, 0:1:480j]
    waves = 0.5 + 0.4 * np.sin(9 * across + 40 * down**2) * (down > 0.45)
    moon = np.hypot(across - 0.68, down - 0.24) < 0.12
    water = np.stack((0.10 + 0.15 * waves, 0.25 + 0.3 * waves, 0.35 + 0.35 * waves), axis=2)
    path.parent.mkdir(parents=True, exist_ok=True)
    image.imsave(path, np.where(moon[..., np.newaxis], (0.95, 0.93, 0.82), water))


def sheets() -> dict[str, str]:
    """The sheets by their path in the inbox."""
    return {
        f"{ALBUM}/record.yaml": sheet_text(
            artist="Marlow and the Tide Tables",
            title="Low Water",
            label="Saltmarsh Audio",
            catalogue="SMA 014",
            year=1987,
            genre="jazz",
            rpm=33,
            sides={label: _titles(tracks) for label, tracks in ALBUM_SIDES.items()},
        ),
        f"{SINGLE}.yaml": sheet_text(
            artist="Harbour Lights",
            title="Perigee",
            label="Fathom",
            catalogue="FTH 12-3",
            year=1994,
            genre="techno",
            rpm=45,
            sides={"A": _titles(SINGLE_TRACKS)},
        ),
        f"{TALK}.yaml": sheet_text(
            artist="Edda Quill",
            title="Letters from the Lightship",
            label="Signal Station",
            genre="spoken word",
            rpm=33,
            sides={"A": _titles(TALK_TRACKS)},
        ),
        f"{WORN}.yaml": sheet_text(
            artist="Brackish", title="Undertow", rpm=33, sides={"A": _titles(WORN_TRACKS)}
        ),
    }


def _titles(tracks: tuple[Track, ...]) -> list[tuple[str, float | None]]:
    return [(track.title, track.length_s) for track in tracks]


def main(made: Path, inbox: Path) -> None:
    """Compose what is not there yet, then copy everything into the inbox."""
    wanted: dict[str, tuple[Callable[..., None], tuple[object, ...]]] = {
        f"{SINGLE}.wav": (single, ()),
        f"{ALBUM}/A.wav": (album_side, ("A",)),
        f"{ALBUM}/B.wav": (album_side, ("B",)),
        f"{TALK}.flac": (talk, ()),
        f"{WORN}.wav": (worn, ()),
        f"{ALBUM}/cover.png": (cover, ()),
        "shopping list.wav": (not_audio, ()),
    }
    began = time.monotonic()
    with ProcessPoolExecutor(2) as pool:
        running = [
            pool.submit(compose_one, *arguments, made / name)
            for name, (compose_one, arguments) in wanted.items()
            if not (made / name).exists()
        ]
        for one in running:
            one.result()
    for name, text in sheets().items():
        (made / name).parent.mkdir(parents=True, exist_ok=True)
        (made / name).write_text(text, encoding="utf-8")
    shutil.copytree(made, inbox, dirs_exist_ok=True)
    print(f"  {len(wanted)} files and {len(sheets())} sheets, {time.monotonic() - began:.0f} s")
    for path in sorted(inbox.rglob("*")):
        if path.is_file():
            print(f"  inbox/{path.relative_to(inbox)}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]))
