"""What publishing a job means, as `publish.json` in its stage: every move, recorded before the first.

A stage with a readable `publish.json` is complete, and is only ever carried forward.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from sidekeep.errors import Damaged
from sidekeep.storage.durable import ARCHIVED, write_atomically
from sidekeep.storage.faults import faults
from sidekeep.storage.folders import Root
from sidekeep.storage.manifest import (
    FACTS_NAME,
    MANIFEST_NAME,
    Facts,
    Filed,
    write_facts,
    write_lines,
)

PUBLICATION_NAME = "publish.json"
PAGE_NAME = "report.html"

MakePage = Callable[[str], str]


@dataclass(frozen=True, slots=True)
class Move:
    """One file on its way: `source` is relative to the root, `file.path` to `archive/`."""

    source: str
    file: Filed


@dataclass(frozen=True, slots=True)
class Publication:
    """All that publishing does.

    `moves` are in their order: tracks, then the recording itself. `kept` are masters that lie in the
    archive already (a job done again), `notes` the files of the job's own folder. `supersedes` names
    the job whose place this one takes; `leaving` are that job's tracks. `page` is the job's report: it
    shows the manifest's hash, so the manifest cannot list it.
    """

    job: str
    moves: tuple[Move, ...]
    kept: tuple[Filed, ...] = ()
    notes: tuple[Filed, ...] = ()
    supersedes: str | None = None
    leaving: tuple[str, ...] = ()
    page: Filed | None = None

    @property
    def files(self) -> tuple[Filed, ...]:
        """All files of the job as they will lie in the archive."""
        return (*(move.file for move in self.moves), *self.kept, *self.notes)


def write_publication(
    root: Root, publication: Publication, make_page: MakePage | None = None
) -> Publication:
    """Write manifest, page and facts, and last `publish.json`, each durably.

    Args:
        root: the folders.
        publication: all that publishing does.
        make_page: makes the job's report from the manifest's hash.

    Returns:
        The publication with its page.

    Raises:
        MachineFault: one of them cannot be written.
    """
    stage = root.incoming / publication.job
    folder = stage / "jobs" / publication.job
    with faults("writing", folder):
        if make_page is not None:
            text = make_page(hashlib.sha256(write_lines(publication.files)).hexdigest())
            encoded = text.encode("utf-8", "replace")
            write_atomically(folder / PAGE_NAME, encoded, ARCHIVED)
            path = f"jobs/{publication.job}/{PAGE_NAME}"
            page = filed(folder / PAGE_NAME, path, hashlib.sha256(encoded).hexdigest())
            publication = replace(publication, page=page)
        write_listing(folder, publication)
        data = json.dumps(asdict(publication), indent=1, ensure_ascii=False)
        encoded = data.encode("utf-8", "surrogateescape") + b"\n"
        write_atomically(stage / PUBLICATION_NAME, encoded)
    return publication


def write_listing(folder: Path, publication: Publication) -> None:
    """Write the manifest and the facts of a job into its folder."""
    lines = write_lines(publication.files)
    write_atomically(folder / MANIFEST_NAME, lines, ARCHIVED)
    digest = hashlib.sha256(lines).hexdigest()
    manifest = filed(folder / MANIFEST_NAME, f"jobs/{publication.job}/{MANIFEST_NAME}", digest)
    page = (publication.page,) if publication.page else ()
    facts = Facts({file.path: file for file in (*publication.files, *page)}, manifest)
    write_atomically(folder / FACTS_NAME, write_facts(facts), ARCHIVED)


def filed(source: Path, path: str, sha256: str) -> Filed:
    """Give what is filed of `source` under `path`."""
    status = source.lstat()
    return Filed(path, status.st_size, status.st_mtime_ns, sha256)


def read_publication(root: Root, job: str) -> Publication | None:
    """Read a stage's `publish.json`; None when there is none, so that the stage is not complete.

    Raises:
        Damaged: there is one, but it cannot be read.
        MachineFault: the disk failed.
    """
    path = root.incoming / job / PUBLICATION_NAME
    if not path.exists():
        return None
    with faults("reading", path):
        data = path.read_bytes()
    try:
        publication = _publication(json.loads(data.decode("utf-8", "surrogateescape")))
    except (ValueError, TypeError, KeyError, AttributeError) as error:
        raise Damaged(f"{path} cannot be read: {error}.") from error
    _check(publication, job)
    return publication


def _check(publication: Publication, job: str) -> None:
    """See that nothing leads out of the job and the archive: a worker reads what anybody may send.

    Raises:
        Damaged: a path does.
    """
    stage, recording = f"archive/.incoming/{job}/", f"work/{job}/recording/"
    sources = [move.source for move in publication.moves]
    targets = [
        file.path for file in (*(move.file for move in publication.moves), *publication.kept)
    ]
    names = [publication.job, publication.supersedes or job]
    sound = (
        publication.job == job
        and all(name and "/" not in name and not name.startswith(".") for name in names)
        and all(_leads_into(path, stage + "music/", recording) for path in sources)
        and all(_leads_into(path, "music/", "masters/") for path in targets)
        and all(_leads_into(path, "music/") for path in publication.leaving)
        and all(_leads_into(file.path, f"jobs/{job}/") for file in publication.notes)
    )
    if not sound:
        raise Damaged(f"The stage of job {job} names files outside of it.")


def _leads_into(path: str, *places: str) -> bool:
    components = path.split("/")
    return path.startswith(places) and not {"", ".", ".."} & set(components) and "\0" not in path


def _publication(values: dict[str, Any]) -> Publication:
    moves = (Move(str(move["source"]), Filed(**move["file"])) for move in values["moves"])
    return Publication(
        job=str(values["job"]),
        moves=tuple(moves),
        kept=tuple(Filed(**file) for file in values["kept"]),
        notes=tuple(Filed(**file) for file in values["notes"]),
        supersedes=values["supersedes"],
        leaving=tuple(map(str, values["leaving"])),
        page=Filed(**values["page"]) if values["page"] else None,
    )
