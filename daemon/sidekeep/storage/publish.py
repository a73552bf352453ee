"""Publishing: from a sealed stage into the archive, all or nothing, and recovery after a crash.

The order: tracks, then the recording itself, then their folders to the disk, then the one rename that
counts, that of the job's folder into `archive/jobs/`. What comes after is tidying. Every step looks
first whether it is done already, so that the whole may be broken off anywhere and run again.
"""

from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass, replace
from pathlib import Path

from sidekeep.errors import Damaged, MachineFault
from sidekeep.storage.durable import fsync_folder, make_folders, remove_tree, rename_noreplace
from sidekeep.storage.faults import faults
from sidekeep.storage.folders import Root
from sidekeep.storage.places import Places
from sidekeep.storage.publication import (
    PUBLICATION_NAME,
    Move,
    Publication,
    read_publication,
    write_publication,
)
from sidekeep.storage.superseding import EARLIER

_SUPERSEDED = "superseded"


@dataclass(frozen=True, slots=True)
class Published:
    """A job as it lies in the archive; paths are relative to `archive/`, in the order of the plan."""

    job: str
    tracks: tuple[str, ...]
    masters: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Recovered:
    """What recovery did for one job: `published`, `tidied`, `discarded`, or `stuck`, and then why."""

    job: str
    done: str
    why: str = ""
    advice: str = ""


def publish(root: Root, job: str) -> Published:
    """Publish a sealed stage; safe to run again after any interruption.

    Raises:
        MachineFault: the machine failed on the way; run it again later.
        Damaged: the stage has no readable `publish.json`.
    """
    publication = read_publication(root, job)
    if publication is None:
        raise Damaged(f"The stage of job {job} is not complete ({PUBLICATION_NAME} is missing).")
    if not _is_committed(root, job):
        publication = _without_clashes(root, publication)
        _set_aside(root, publication)
        for move in publication.moves:
            _carry_out(root, move)
        _flush(root, publication)
        _commit(root, publication)
    _tidy(root, job)
    return _published(publication)


def has_begun(root: Root, publication: Publication) -> bool:
    """Tell whether anything was moved already, so that publishing can only be carried forward."""
    stage = root.incoming / publication.job
    aside = (stage / _SUPERSEDED, stage / "jobs" / publication.job / EARLIER)
    return any(map(os.path.lexists, aside)) or not all(
        os.path.lexists(root.path / move.source) for move in publication.moves
    )


def recover(root: Root) -> list[Recovered]:
    """Bring every stage to an end: carry complete ones forward, remove the others.

    The jobs of removed stages still lie in `work/`, untouched, and are to be queued again. A stage that
    cannot be brought to its end is left as it is, and keeps no other waiting.

    Raises:
        MachineFault: the folders cannot be read, or a job that is filed cannot be tidied up.
    """
    stages, waiting = _folders_in(root.incoming), _folders_in(root.work)
    recovered = [_recover(root, job) for job in stages]
    for job in waiting:
        if job not in stages and _is_committed(root, job):
            _tidy(root, job)
            recovered.append(Recovered(job, "tidied"))
    return recovered


def _recover(root: Root, job: str) -> Recovered:
    try:
        if _is_committed(root, job):
            _tidy(root, job)
            return Recovered(job, "tidied")
        if read_publication(root, job) is not None:
            publish(root, job)
            return Recovered(job, "published")
        with faults("removing", root.incoming / job):
            remove_tree(root.incoming / job)
    except (Damaged, MachineFault) as error:
        return Recovered(job, "stuck", error.message, error.advice)
    return Recovered(job, "discarded")


def _folders_in(place: Path) -> list[str]:
    with faults("looking into", place), os.scandir(place) as entries:
        return sorted(entry.name for entry in entries if entry.is_dir(follow_symlinks=False))


def _is_committed(root: Root, job: str) -> bool:
    with faults("looking into", root.jobs):
        return job in os.listdir(root.jobs)  # noqa: PTH208


# --- the steps ------------------------------------------------------------------------------------


def _without_clashes(root: Root, publication: Publication) -> Publication:
    """Give files another name whose place was taken since sealing; the change is recorded first."""
    waiting = [move for move in publication.moves if _has_to_move(*_ends(root, move))]
    if not any(os.path.lexists(root.archive / move.file.path) for move in waiting):
        return publication
    places = Places(root.archive, publication.leaving)
    renamed = {move: replace(move.file, path=places.place(move.file.path)) for move in waiting}
    moves = tuple(
        replace(move, file=renamed[move]) if move in renamed else move for move in publication.moves
    )
    publication = replace(publication, moves=moves)
    write_publication(root, publication)
    return publication


def _has_to_move(source: Path, target: Path) -> bool:
    """Tell whether a move is still to be made.

    Where both names exist and are one file, a rename made of link and unlink was broken off; it is
    finished here.
    """
    with faults("moving", source):
        if not os.path.lexists(source):
            return False
        if os.path.lexists(target) and source.samefile(target):
            source.unlink()
            return False
    return True


def _set_aside(root: Root, publication: Publication) -> None:
    """Take the superseded job's tracks and folder out of the way, into the stage.

    A path where the new track has arrived already holds that one: the earlier run was broken off later.
    """
    if publication.supersedes is None:
        return
    stage = root.incoming / publication.job
    ends = [_ends(root, move) for move in publication.moves]
    arrived = {target for source, target in ends if not os.path.lexists(source)}
    for path in publication.leaving:
        if root.archive / path not in arrived:
            _move_if_there(root.archive / path, stage / _SUPERSEDED / path, stage)
    notes = stage / "jobs" / publication.job
    _move_if_there(
        root.jobs / publication.supersedes, notes / EARLIER / publication.supersedes, stage
    )


def _move_if_there(source: Path, target: Path, base: Path) -> None:
    if _has_to_move(source, target):
        with faults("moving", source):
            make_folders(target.parent, base)
            rename_noreplace(source, target)


def _carry_out(root: Root, move: Move) -> None:
    source, target = _ends(root, move)
    if os.path.lexists(source) and (
        source.is_symlink() or _resolved(source) != _resolved(root.path) / move.source
    ):
        raise Damaged(f"{source} is a link or lies behind one; links are not published.")
    _move_if_there(source, target, root.archive)
    if not os.path.lexists(target):
        raise MachineFault(
            f"{target} is missing though it was published, and so is {source}.",
            "Look whether somebody moved it; put it back under that name.",
        )


def _resolved(path: Path) -> Path:
    with faults("looking at", path):
        return path.resolve()


def _ends(root: Root, move: Move) -> tuple[Path, Path]:
    return root.path / move.source, root.archive / move.file.path


def _flush(root: Root, publication: Publication) -> None:
    """Bring all new names to the disk: first the way to a folder, then what was moved into it."""
    folders: dict[Path, None] = {}
    for move in publication.moves:
        for parent in Path(move.file.path).parents:
            folders[root.archive / parent] = None
    for folder in sorted(folders, key=lambda path: len(path.parts)):
        with faults("writing", folder):
            fsync_folder(folder)


def _commit(root: Root, publication: Publication) -> None:
    job = publication.job
    notes = root.incoming / job / "jobs" / job
    with faults("moving", notes):
        if publication.supersedes is not None:
            fsync_folder(notes)
            fsync_folder(notes / EARLIER)
        rename_noreplace(notes, root.jobs / job)
        fsync_folder(root.jobs)


def _tidy(root: Root, job: str) -> None:
    """Remove what is left of a committed job outside the archive; never a recording."""
    publication = read_publication(root, job)
    work = root.work / job
    left = [name for _, _, names in os.walk(work / "recording") for name in names]
    if left:
        raise MachineFault(
            f"Job {job} is filed, yet {work / 'recording'} still holds {', '.join(left)}. "
            "It is left alone, since a recording is never deleted.",
            "Compare it with the master; remove it yourself if it is the same.",
        )
    for path in publication.leaving if publication else ():
        _remove_empty_folders(root, Path(path).parent)
    with faults("removing", work):
        remove_tree(work)
    _remove_stage(root.incoming / job)


def _remove_stage(stage: Path) -> None:
    """Remove the rest of a stage, of which nothing counts; what cannot go now, goes at the next start.

    Twice, since a fault may pass. A job that is filed must not be deferred for it: it has left `work/`.
    """
    for _ in range(2):
        with contextlib.suppress(OSError):
            remove_tree(stage)


def _remove_empty_folders(root: Root, folder: Path) -> None:
    """Remove the folders that superseded tracks left empty, up to `music/` itself."""
    while len(folder.parts) > 1:
        with contextlib.suppress(OSError):
            (root.archive / folder).rmdir()
        folder = folder.parent


def _published(publication: Publication) -> Published:
    paths = [move.file.path for move in publication.moves]
    kept = [file.path for file in publication.kept]
    return Published(
        publication.job,
        tuple(path for path in paths if path.startswith("music/")),
        tuple(path for path in (*paths, *kept) if path.startswith("masters/")),
    )
