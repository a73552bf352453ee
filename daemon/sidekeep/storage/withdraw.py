"""Taking a sealed stage back, as long as nothing of it was published."""

from __future__ import annotations

from sidekeep.storage.durable import fsync_folder
from sidekeep.storage.faults import faults
from sidekeep.storage.folders import Root
from sidekeep.storage.publication import PUBLICATION_NAME, read_publication
from sidekeep.storage.publish import has_begun
from sidekeep.storage.stage import discard


def withdraw(root: Root, job: str) -> bool:
    """Remove a job's stage although it is complete; tell whether that was still possible.

    Once a file of it has moved into the archive, publishing can only be carried forward.

    Raises:
        MachineFault: the machine failed.
        Damaged: the stage cannot be read.
    """
    publication = read_publication(root, job)
    if publication is not None:
        if has_begun(root, publication):
            return False
        stage = root.incoming / job
        with faults("removing", stage):
            (stage / PUBLICATION_NAME).unlink()
            fsync_folder(stage)
    discard(root, job)
    return True
