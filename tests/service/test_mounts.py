"""Which file systems tell events."""

from __future__ import annotations

from pathlib import Path

import pytest

from sidekeep.service.mounts import Mount, mount_of

TABLE = r"""22 1 8:1 / / rw,relatime shared:1 - ext4 /dev/sda1 rw
30 22 0:30 / /srv/share rw - cifs //server/share rw
31 22 0:31 / /srv/with\040space rw - nfs4 server:/x rw
32 22 8:2 / /srv/share/disk rw master:1 - xfs /dev/sdb1 rw
33 22 0:33 / /srv/twice rw - ext4 /dev/sdc1 rw
34 22 0:34 / /srv/twice rw - fuse.sshfs host: rw
"""


@pytest.mark.parametrize(
    ("folder", "mount"),
    [
        ("/srv/inbox", Mount("/", "ext4")),
        ("/srv/share/inbox", Mount("/srv/share", "cifs")),
        ("/srv/shared/inbox", Mount("/", "ext4")),
        ("/srv/with space/inbox", Mount("/srv/with space", "nfs4")),
        ("/srv/share/disk/inbox", Mount("/srv/share/disk", "xfs")),
        ("/srv/twice/inbox", Mount("/srv/twice", "fuse.sshfs")),
    ],
)
def test_the_innermost_mount_counts(folder: str, mount: Mount) -> None:
    assert mount_of(Path(folder), TABLE) == mount


@pytest.mark.parametrize(
    "kind", ["nfs", "nfs4", "cifs", "smb3", "9p", "virtiofs", "fuse", "fuse.sshfs", "vboxsf"]
)
def test_file_systems_with_another_end_tell_nothing(kind: str) -> None:
    assert not Mount("/x", kind).tells_events


@pytest.mark.parametrize("kind", ["ext4", "xfs", "btrfs", "tmpfs", "overlay", "zfs", "fuseblk"])
def test_local_file_systems_tell_events(kind: str) -> None:
    assert Mount("/x", kind).tells_events


def test_this_machines_own_table_can_be_read(tmp_path: Path) -> None:
    assert mount_of(tmp_path).kind != "unknown"
