"""Writing, moving and reading so that a crash or a power cut leaves the old or the new, never a part.

Functions here raise plain `OSError`; callers say with `sidekeep.storage.faults` what they were doing.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import hashlib
import mmap
import os
import shutil
import stat
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any, BinaryIO

_RENAME_NOREPLACE = 1  # linux/fs.h
_AT_FDCWD = -100  # linux/fcntl.h
_NO_SUCH_CALL = frozenset((errno.EINVAL, errno.ENOSYS, errno.EOPNOTSUPP))
_NO_LINKS = frozenset((errno.EPERM, errno.EOPNOTSUPP, errno.EMLINK, errno.ENOSYS))
_READ = os.O_RDONLY | os.O_NOFOLLOW | os.O_CLOEXEC
_DIRECT_BYTES = 1 << 20
ARCHIVED = 0o444  # what is in the archive is never edited


def fsync_file(path: Path) -> None:
    """Bring a file's content to the disk.

    After an error the file must be thrown away and made anew: the system may have dropped the
    unwritten pages, so that a second try reports success (PostgreSQL's finding on Linux).
    """
    _fsync(path, _READ)


def fsync_folder(path: Path) -> None:
    """Bring a folder's entries to the disk, so that a new name in it outlives a power cut."""
    try:
        _fsync(path, _READ | os.O_DIRECTORY)
    except OSError as error:
        # Some network file systems cannot do it; they keep names on the server anyway.
        if error.errno not in (errno.EINVAL, errno.EOPNOTSUPP):
            raise


def _fsync(path: Path, flags: int) -> None:
    descriptor = os.open(path, flags)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def write_atomically(path: Path, data: bytes, mode: int = 0o644) -> None:
    """Write a small file so that its name always shows the whole old or the whole new content."""
    temporary = path.with_name(f".{path.name}.tmp")
    try:
        _write(temporary, data, mode)
        os.replace(temporary, path)  # noqa: PTH105  (one way to rename, for the failure tests)
    except OSError:
        with contextlib.suppress(OSError):
            os.unlink(temporary)  # noqa: PTH108
        raise
    fsync_folder(path.parent)


def _write(path: Path, data: bytes, mode: int) -> None:
    with contextlib.suppress(FileNotFoundError):  # left by a crash
        os.unlink(path)  # noqa: PTH108
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC
    descriptor = os.open(path, flags, mode)
    try:
        view = memoryview(data)
        while view:
            view = view[os.write(descriptor, view) :]
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextlib.contextmanager
def writing_atomically(path: Path, mode: int = 0o644) -> Iterator[BinaryIO]:
    """Give a file to write to; its name shows the content when the block ends without an error.

    Nothing is flushed: after a power cut the file may be gone, empty or spoilt. So this is for what can
    be made anew.
    """
    temporary = path.with_name(f".{path.name}.tmp")
    with contextlib.suppress(FileNotFoundError):  # left by a crash
        os.unlink(temporary)  # noqa: PTH108
    flags = os.O_RDWR | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC
    try:
        with os.fdopen(os.open(temporary, flags, mode), "w+b") as file:
            yield file
        os.replace(temporary, path)  # noqa: PTH105  (one way to rename, for the failure tests)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)  # noqa: PTH108
        raise


def rename_noreplace(
    source: str | os.PathLike[str],
    target: str | os.PathLike[str],
    *,
    source_folder: int | None = None,
    target_folder: int | None = None,
) -> None:
    """Rename a file or folder; an existing target is never replaced.

    Args:
        source: what is renamed.
        target: its new name.
        source_folder: descriptor of the folder that `source` is relative to.
        target_folder: descriptor of the folder that `target` is relative to.

    Raises:
        FileExistsError: the target exists.
    """
    result = _renameat2()(
        _AT_FDCWD if source_folder is None else source_folder,
        os.fsencode(source),
        _AT_FDCWD if target_folder is None else target_folder,
        os.fsencode(target),
        _RENAME_NOREPLACE,
    )
    if result == 0:
        return
    number = ctypes.get_errno()
    if number not in _NO_SUCH_CALL:
        raise OSError(number, os.strerror(number), os.fspath(source), None, os.fspath(target))
    _rename_carefully(source, target, source_folder, target_folder)


@cache
def _renameat2() -> Any:
    """Give renameat2(2) of the C library, which Python does not offer."""
    return ctypes.CDLL(None, use_errno=True).renameat2


def _rename_carefully(
    source: str | os.PathLike[str],
    target: str | os.PathLike[str],
    source_folder: int | None,
    target_folder: int | None,
) -> None:
    """Rename without replacing where the file system has no call for it.

    A plain rename puts a folder only onto nothing or onto an empty folder. A file gets its new name by
    a link. Where there are no links either a look must do; only this service writes there.
    """
    folders: dict[str, Any] = {"src_dir_fd": source_folder, "dst_dir_fd": target_folder}
    status = os.stat(source, dir_fd=source_folder, follow_symlinks=False)
    if stat.S_ISDIR(status.st_mode):
        try:
            os.rename(source, target, **folders)  # noqa: PTH104
        except OSError as error:
            if error.errno in (errno.ENOTEMPTY, errno.ENOTDIR):
                raise _already_there(target) from error
            raise
        return
    try:
        os.link(source, target, follow_symlinks=False, **folders)
    except OSError as error:
        if error.errno not in _NO_LINKS:
            raise
        if _exists(target, target_folder):
            raise _already_there(target) from error
        os.rename(source, target, **folders)  # noqa: PTH104
    else:
        os.unlink(source, dir_fd=source_folder)


def _already_there(path: str | os.PathLike[str]) -> FileExistsError:
    return FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), os.fspath(path))


def _exists(path: str | os.PathLike[str], folder: int | None) -> bool:
    try:
        os.stat(path, dir_fd=folder, follow_symlinks=False)
    except FileNotFoundError:
        return False
    return True


def make_folders(folder: Path, base: Path) -> None:
    """Make `folder` and its missing parents up to the existing `base`."""
    for part in (*reversed(folder.relative_to(base).parents), folder.relative_to(base)):
        with contextlib.suppress(FileExistsError):
            os.mkdir(base / part)  # noqa: PTH102


def remove_tree(path: Path) -> None:
    """Remove a folder with all it holds, following no links; nothing there is fine."""
    with contextlib.suppress(FileNotFoundError):
        shutil.rmtree(path)


def read_at_most(file: BinaryIO, most_bytes: int) -> bytes:
    """Read a file's bytes, one more than `most_bytes` where it is longer.

    Room is made for what is there, not for the most that may be.
    """
    size = os.fstat(file.fileno()).st_size
    return file.read(min(size, most_bytes) + 1)


def sha256_of(path: str | os.PathLike[str], *, folder: int | None = None) -> str:
    """Give the SHA-256 of a file's bytes as 64 hex digits; links are not followed.

    Args:
        path: the file.
        folder: descriptor of the folder that `path` is relative to.
    """
    with os.fdopen(os.open(path, _READ, dir_fd=folder), "rb", buffering=0) as file:
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_SEQUENTIAL)
        return hashlib.file_digest(file, "sha256").hexdigest()


def sha256_from_disk(path: Path) -> str:
    """Give the SHA-256 of what the disk holds of a file, not of what is in memory.

    What has not been written to the disk yet must be brought there first. Reading past the system's
    memory (open(2), O_DIRECT) costs half the processor time; where a file system cannot, the system is
    asked to forget what it holds of the file.
    """
    with contextlib.suppress(_CannotReadPast):
        return _sha256_past_memory(path)
    with os.fdopen(os.open(path, _READ), "rb", buffering=0) as file:
        for advice in (os.POSIX_FADV_DONTNEED, os.POSIX_FADV_SEQUENTIAL):
            with contextlib.suppress(OSError):
                os.posix_fadvise(file.fileno(), 0, 0, advice)
        return hashlib.file_digest(file, "sha256").hexdigest()


class _CannotReadPast(Exception):
    """The file system has no way of reading past the system's memory."""


def _sha256_past_memory(path: Path) -> str:
    digest = hashlib.sha256()
    try:
        descriptor = os.open(path, _READ | os.O_DIRECT)
        with os.fdopen(descriptor, "rb", buffering=0) as file, mmap.mmap(-1, _DIRECT_BYTES) as room:
            left = os.fstat(descriptor).st_size
            while left > 0 and (got := file.readinto(room)):
                with memoryview(room) as seen:
                    digest.update(seen[:got])
                left -= got
    except OSError as error:
        if error.errno in _NO_SUCH_CALL:
            raise _CannotReadPast from error
        raise
    if left:
        raise _CannotReadPast
    return digest.hexdigest()
