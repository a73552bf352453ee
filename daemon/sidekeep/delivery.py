"""From a plan to a sealed stage: where files go, how they are written, tagged and sealed."""

from __future__ import annotations

import math
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from functools import partial
from pathlib import Path, PurePosixPath
from typing import Any

from numpy.typing import NDArray

from sidekeep import planfile
from sidekeep.dsp.stretch import Stretch
from sidekeep.dsp.truepeak import TruePeakMeter, max_true_peak
from sidekeep.forked import Forked
from sidekeep.measurements import Measurements
from sidekeep.model import Copy, Plan, Track
from sidekeep.naming import part_path
from sidekeep.report.html import with_manifest
from sidekeep.reuse import take_over, write_record
from sidekeep.steps.tag import shifted
from sidekeep.storage.cover import Cover
from sidekeep.storage.durable import write_atomically
from sidekeep.storage.faults import faults
from sidekeep.storage.folders import Root
from sidekeep.storage.jobfiles import Result, write_result
from sidekeep.storage.order import ORDER_NAME, Order
from sidekeep.storage.reader import delivered_blocks
from sidekeep.storage.stage import Master, Stage
from sidekeep.storage.superseding import earlier_result
from sidekeep.storage.writer import TrackWriter

PLAN_NAME = "plan.yaml"
REPORT_NAME = "report.html"
LOG_NAME = "log.jsonl"
_MUSIC, _MASTERS = "music/", "masters/"


def job_page(plan: Plan, seen: Measurements, where: list[tuple[str, str]]) -> str:
    """Draw the job's page. The drawing library comes in here, so that no verdict waits for it."""
    from sidekeep.report import page  # noqa: PLC0415

    return page.job_page(plan, seen, where)


class FileSink:
    """One copy of one track, as a file in the stage (see `render.Sink`)."""

    def __init__(self, path: Path, copy: Copy, channels: int, seed: str, room_bytes: int) -> None:
        path.unlink(missing_ok=True)
        self._path, self._copy = path, copy
        self._writer = TrackWriter(
            path,
            copy.format,
            copy.rate_hz,
            channels,
            copy.bits,
            quality=copy.quality,
            seed=seed,
            room_bytes=room_bytes,
        )
        self._peak_dbtp: float | None = None

    def write(self, samples: NDArray[Any]) -> None:
        """Take samples (channels, frames)."""
        self._writer.write(samples)

    def close(self) -> None:
        """Finish the file."""
        self._writer.close()

    def decoded_true_peak_dbtp(self) -> float:
        """Decode the file and return its true peak in dBTP; measured once."""
        if self._peak_dbtp is None:
            self._peak_dbtp = true_peak_dbtp(self._path, self._copy.rate_hz)
        return self._peak_dbtp


def true_peak_dbtp(path: Path, rate_hz: int) -> float:
    """Decode a file at that rate, lossy or not, and return its true peak in dBTP."""
    meter: TruePeakMeter | None = None
    frames = channels = 0
    for block in delivered_blocks(path):
        channels = block.shape[0]
        meter = meter or TruePeakMeter(rate_hz, channels)
        meter.update(block)
        frames += block.shape[1]
    if meter is None:
        return -200.0
    peak = max_true_peak(meter.finish(), Stretch(0, frames, (1.0,) * channels))
    return 20.0 * math.log10(max(peak, 1e-10))


class Delivery:
    """Everything a job leaves behind.

    Args:
        root: the folders.
        folder: the job's folder.
        order: what was asked for.
        plan: the decided plan.
        seen: the measurements, for the report.
        cover: the front cover.
    """

    def __init__(
        self,
        root: Root,
        folder: Path,
        order: Order,
        plan: Plan,
        seen: Measurements,
        cover: Cover | None,
    ) -> None:
        self._folder, self._order, self._seen = folder, order, seen
        self._root, self._plan = root, plan
        self._stage = Stage(root, order.job, order.supersedes)
        self._cover = cover
        self._masters: tuple[Master, ...] = ()
        self._drawn: tuple[Plan, Forked[str]] | None = None

    def keep_for_a_person(self) -> None:
        """Leave the plan and its report in the job's folder, where a held job waits."""
        page = job_page(self._plan, self._seen, [("recording", self._order.parts[0])])
        with faults("writing", self._folder):
            write_atomically(self._folder / PLAN_NAME, planfile.write(self._plan).encode())
            write_atomically(self._folder / REPORT_NAME, page.encode("utf-8", "replace"))

    def placed(self) -> Plan:
        """Open the stage; return the plan with final paths, so that nothing is ever replaced."""
        self._stage.open()
        tracks = [track for side in self._plan.sides for track in side.tracks]
        wanted = [_MUSIC + copy.path for track in tracks for copy in track.copies]
        placed = iter(self._stage.places(wanted))

        def with_places(track: Track) -> Track:
            copies = (replace(copy, path=next(placed)[len(_MUSIC) :]) for copy in track.copies)
            return replace(track, copies=tuple(copies))

        plan = self._plan.with_sides(
            lambda side: replace(side, tracks=tuple(with_places(track) for track in side.tracks))
        )
        self._masters = self._masters_of(plan)
        return plan

    @contextmanager
    def ahead(self, plan: Plan, cores: int) -> Iterator[None]:
        """With two cores, read the recording back and draw the page while the tracks are written."""
        if cores == 1:
            yield
            return
        with Forked(partial(job_page, plan, self._seen, self._where(plan))) as page:
            self._drawn = plan, page
            self._stage.check_masters(self._masters)
            yield

    def open_sink(self, track: Track, copy: Copy) -> FileSink:
        """Open the stage's file for one copy of one track."""
        path = self._stage.path_of(_MUSIC + copy.path)
        seed = f"{self._plan.recording.sha256}/{track.number}"
        room = 8192 + (len(self._cover.data) if self._cover else 0)
        return FileSink(path, copy, len(track.gain_db), seed, room)

    def taken_over(self, plan: Plan) -> Plan | None:
        """Take the files of the job that this one supersedes, when they sound the same."""
        if self._order.supersedes is None:
            return None
        earlier = self._root.jobs / self._order.supersedes
        return take_over(plan, earlier, self._root.music, self._stage.folder / "music")

    def seal(self, plan: Plan, result: Result) -> None:
        """Tag the copies, add order, result, plan, log, sheet and report, and seal the stage."""
        from sidekeep.storage.tags import write_tags  # noqa: PLC0415  (no verdict waits for it)

        for side in plan.sides:
            for track in side.tracks:
                for copy in track.copies:
                    path = self._stage.path_of(_MUSIC + copy.path)
                    write_tags(path, copy.format, self._tags(track, copy), self._cover)
        notes = self._stage.notes
        with faults("writing", notes):
            (notes / PLAN_NAME).write_text(planfile.write(plan), encoding="utf-8")
            write_result(notes, result)
            for name in (
                ORDER_NAME,
                LOG_NAME,
                "measurements.npz",
                self._order.sheet,
                self._order.cover,
            ):
                if name and (self._folder / name).exists():
                    shutil.copyfile(self._folder / name, notes / PurePosixPath(name).name)
            write_record(notes, self._plan, plan)
        self._stage.seal(self._masters, lambda digest: with_manifest(self._page(plan), digest))

    def _page(self, plan: Plan) -> str:
        if self._drawn is not None:
            drawn, page = self._drawn
            if drawn == plan:
                return page.result()
        return job_page(plan, self._seen, self._where(plan))

    def _tags(self, track: Track, copy: Copy) -> Mapping[str, str]:
        return shifted(track.tags, copy.gain_db) if copy.gain_db else track.tags

    def _masters_of(self, plan: Plan) -> tuple[Master, ...]:
        """Name the recording's files in the archive; those that lie there already stay."""
        if self._order.supersedes is not None:
            kept = earlier_result(self._root, self._order.supersedes).masters
            return tuple(Master(f"archive/{file.path}", file.path, file.sha256) for file in kept)
        parts = plan.recording.parts
        path = _MASTERS + plan.master_path
        places = self._stage.places(
            part_path(path, number, len(parts), part.name)
            for number, part in enumerate(parts, start=1)
        )
        return tuple(
            Master(f"work/{self._order.job}/{source}", place, part.sha256)
            for source, place, part in zip(self._order.parts, places, parts, strict=True)
        )

    def _where(self, plan: Plan) -> list[tuple[str, str]]:
        rows = [("master", master.path) for master in self._masters]
        for side in plan.sides:
            for track in side.tracks:
                rows += [(f"track {track.number}", _MUSIC + copy.path) for copy in track.copies]
        return [*rows, ("job", f"jobs/{self._order.job}/")]
