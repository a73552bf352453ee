"""Filing a job anew without rendering: where the sound of every copy is the same, files are taken over.

A corrected sheet changes names and tags only. The key below covers all that the samples depend on;
equal keys mean equal samples.
"""

from __future__ import annotations

import hashlib
import json
import shutil
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from sidekeep.model import Copy, Plan, Track
from sidekeep.storage.faults import faults

RECORD_NAME = "audio.json"


def audio_key(plan: Plan) -> str:
    """Return a hash of all that the samples of all copies depend on, before any head-room."""
    sounds = [
        [
            *(track.span.start, track.span.end, track.fade_in_frames, track.fade_out_frames),
            *(track.number, list(track.gain_db)),
            *(
                copy.format,
                copy.rate_hz,
                copy.bits,
                copy.quality,
                copy.ceiling_dbtp,
                copy.to_ceiling,
            ),
        ]
        for track, copy in _copies(plan)
    ]
    parts = [part.sha256 for part in plan.recording.parts]
    facts = [parts, list(plan.treatments), sounds]
    return hashlib.sha256(json.dumps(facts).encode()).hexdigest()


def write_record(notes: Path, decided: Plan, rendered: Plan) -> None:
    """Keep beside a filed job what a later one needs to take its files over.

    Args:
        notes: the job's folder in the stage.
        decided: the plan as it was decided.
        rendered: the same with the gains that lossy copies got.
    """
    files = [[copy.path, copy.gain_db] for _, copy in _copies(rendered)]
    text = json.dumps({"key": audio_key(decided), "files": files}, indent=1, ensure_ascii=False)
    (notes / RECORD_NAME).write_text(text + "\n", encoding="utf-8")


def take_over(plan: Plan, earlier: Path, music: Path, stage: Path) -> Plan | None:
    """Copy the files of an earlier job into the stage, when their sound is that of the plan.

    Args:
        plan: the new plan, its paths final.
        earlier: the earlier job's folder.
        music: the archive's folder of tracks.
        stage: the stage's folder of tracks.

    Returns:
        The plan with the gains of lossy copies; None when something sounds different or is missing.

    Raises:
        MachineFault: copying failed.
    """
    try:
        record = json.loads((earlier / RECORD_NAME).read_text(encoding="utf-8"))
        filed = [(music / str(path), float(gain_db)) for path, gain_db in record["files"]]
        same = record["key"] == audio_key(plan)
    except (OSError, ValueError, KeyError, TypeError):
        return None
    if not same or len(filed) != len(list(_copies(plan))):
        return None
    if not all(path.is_file() for path, _ in filed):
        return None
    gains_db = iter([gain_db for _, gain_db in filed])
    for (_, copy), (path, _) in zip(_copies(plan), filed, strict=True):
        target = stage / copy.path
        with faults("copying", path):
            target.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(path, target)

    def with_gains(track: Track) -> Track:
        copies = (replace(copy, gain_db=next(gains_db)) for copy in track.copies)
        return replace(track, copies=tuple(copies))

    return plan.with_sides(lambda side: replace(side, tracks=tuple(map(with_gains, side.tracks))))


def _copies(plan: Plan) -> Iterator[tuple[Track, Copy]]:
    for side in plan.sides:
        for track in side.tracks:
            for copy in track.copies:
                yield track, copy
