"""Stopping a process and all its children at every system call that changes the file system.

What `strace -f -e inject=` does, with one count over all threads and processes, and free to do more at
a stop than to fail or kill: look at the disk, copy it. A filter in the kernel (seccomp(2), ptrace(2))
stops only the calls of interest, so that the rest runs at full speed. Linux on x86-64 only.
"""

from __future__ import annotations

import ctypes
import os
import platform
import signal
import struct
import sys
import traceback
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import NoReturn

SUPPORTED = sys.platform == "linux" and platform.machine() == "x86_64"

# asm/unistd_64.h
NUMBERS = {
    "write": 1, "open": 2, "pwrite64": 18, "writev": 20, "sendfile": 40, "fsync": 74,
    "fdatasync": 75, "truncate": 76, "ftruncate": 77, "rename": 82, "mkdir": 83, "rmdir": 84,
    "creat": 85, "link": 86, "unlink": 87, "symlink": 88, "chmod": 90, "fchmod": 91,
    "openat": 257, "mkdirat": 258, "unlinkat": 263, "renameat": 264, "linkat": 265,
    "fchmodat": 268, "utimensat": 280, "fallocate": 285, "pwritev": 296, "renameat2": 316,
    "copy_file_range": 326,
}  # fmt: skip
_NAMES = {number: name for name, number in NUMBERS.items()}
_WITH_DESCRIPTOR = {
    "write": 0, "pwrite64": 0, "writev": 0, "pwritev": 0, "sendfile": 0, "fsync": 0,
    "fdatasync": 0, "ftruncate": 0, "fchmod": 0, "fallocate": 0, "copy_file_range": 2,
}  # fmt: skip
_WITH_PATH = {
    "open": (None, 0), "truncate": (None, 0), "rename": (None, 0), "mkdir": (None, 0),
    "rmdir": (None, 0), "creat": (None, 0), "link": (None, 0), "unlink": (None, 0),
    "symlink": (None, 1), "chmod": (None, 0), "openat": (0, 1), "mkdirat": (0, 1),
    "unlinkat": (0, 1), "renameat": (0, 1), "linkat": (0, 1), "fchmodat": (0, 1),
    "utimensat": (0, 1), "renameat2": (0, 1),
}  # fmt: skip
_OPENS = {"open": 1, "openat": 2}  # which argument holds the flags
_CHANGING = os.O_CREAT | os.O_TRUNC | os.O_WRONLY | os.O_RDWR

# linux/ptrace.h, linux/seccomp.h, linux/prctl.h
_TRACEME, _PEEKUSER, _POKEUSER, _CONT, _SETOPTIONS = 0, 3, 6, 7, 0x4200
_FORK, _VFORK, _CLONE, _EXEC, _SECCOMP = 1, 2, 3, 4, 7
_OPTIONS = 1 << _FORK | 1 << _VFORK | 1 << _CLONE | 1 << _EXEC | 1 << _SECCOMP | 1 << 20
_WALL = 0x40000000
_RDI, _RSI, _RDX, _R10, _ORIG_RAX, _RAX = 14 * 8, 13 * 8, 12 * 8, 7 * 8, 15 * 8, 10 * 8
_ARGUMENTS = (_RDI, _RSI, _RDX, _R10)
_SECCOMP_MODE_FILTER, _PR_SET_SECCOMP, _PR_SET_NO_NEW_PRIVS = 2, 22, 38
_ALLOW, _TRACE = 0x7FFF0000, 0x7FF00000

_libc = ctypes.CDLL(None, use_errno=True)
_libc.ptrace.restype = ctypes.c_long
_libc.ptrace.argtypes = (ctypes.c_long, ctypes.c_long, ctypes.c_void_p, ctypes.c_void_p)


def why_not() -> str:
    """Say why calls cannot be stopped here; empty when they can."""
    if not SUPPORTED:
        return f"stopping at system calls is written for Linux on x86-64, not {platform.machine()}"
    stopped: list[Step] = []
    with TemporaryDirectory() as folder:
        try:
            run_traced(
                lambda: Path(folder, "x").write_bytes(b""), Path(folder), stopped.append, 10.0
            )
        except OSError as error:
            return f"processes cannot be traced here: {error.strerror}"
    return "" if stopped else "processes cannot be traced here"


@dataclass(frozen=True, slots=True)
class Step:
    """One call that is about to change the file system: which of all, in which process, on what.

    `process` counts processes in the order of their birth, 0 being the first.
    """

    number: int
    call: str
    path: str
    process: int
    pid: int


@dataclass(frozen=True, slots=True)
class Fail:
    """Let the call fail with this error; 0 lets it do nothing and report success."""

    error: int


KILL = "kill"  # the process that makes the call dies at it
KILL_ALL = "kill all"  # and so do all others
Answer = Fail | str | None


def run_traced(
    work: Callable[[], int], below: Path, at_step: Callable[[Step], Answer], patience_s: float
) -> int | None:
    """Run `work` in a forked process, asking `at_step` at every call that changes files in `below`.

    Returns:
        What `work` returned; None when it was killed.

    Raises:
        TimeoutError: it did not end in time; it was killed.
    """
    child = os.fork()
    if child == 0:
        _become_traced(work)
    os.waitpid(child, 0)
    _ptrace(_SETOPTIONS, child, 0, _OPTIONS)
    _ptrace(_CONT, child, 0, 0)
    tracer = _Tracer(child, f"{below.resolve()}/", at_step)
    before = signal.signal(signal.SIGALRM, tracer.give_up)
    signal.setitimer(signal.ITIMER_REAL, patience_s)
    try:
        return tracer.run()
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0.0)
        signal.signal(signal.SIGALRM, before)


def _become_traced(work: Callable[[], int]) -> None:
    code = 99
    try:
        _ptrace(_TRACEME, 0, 0, 0)
        os.kill(os.getpid(), signal.SIGSTOP)
        _filter()
        code = work()
    except BaseException:  # noqa: BLE001  (a forked child must end here, whatever happens)
        traceback.print_exc()
    finally:
        sys.stderr.flush()
        os._exit(code)


class _Tracer:
    def __init__(self, child: int, below: str, at_step: Callable[[Step], Answer]) -> None:
        self._first, self._below, self._at_step = child, below, at_step
        self._processes: dict[int, int] = {child: child}  # thread to process
        self._births: dict[int, int] = {child: 0}
        self._count = 0
        self._result: int | None = None

    def run(self) -> int | None:
        while True:
            try:
                thread, status = os.waitpid(-1, _WALL)
            except ChildProcessError:
                return self._result
            if os.WIFSTOPPED(status):
                self._stopped(thread, status)
            elif thread == self._first and os.WIFEXITED(status):
                self._result = os.WEXITSTATUS(status)

    def give_up(self, *_: object) -> NoReturn:
        self._kill_all()
        raise TimeoutError

    def _stopped(self, thread: int, status: int) -> None:
        event, received = status >> 16, os.WSTOPSIG(status)
        if event == _SECCOMP:
            self._called(thread)
            received = 0
        elif event or received == signal.SIGTRAP:
            received = 0
        elif received == signal.SIGSTOP and thread not in self._processes:
            self._process_of(thread)  # a new thread or process reports
            received = 0
        _ptrace(_CONT, thread, 0, received, may_fail=True)

    def _called(self, thread: int) -> None:
        try:
            call = _NAMES[_peek(thread, _ORIG_RAX)]
            path = self._path(thread, call)
        except (OSError, KeyError):
            return  # it died meanwhile
        if path is None or not path.startswith(self._below):
            return
        process = self._process_of(thread)
        step = Step(self._count, call, path[len(self._below) :], self._births[process], process)
        self._count += 1
        answer = self._at_step(step)
        if isinstance(answer, Fail):
            _poke(thread, _ORIG_RAX, -1)
            _poke(thread, _RAX, -answer.error)
        elif answer == KILL:
            os.kill(process, signal.SIGKILL)
        elif answer == KILL_ALL:
            self._kill_all()

    def _path(self, thread: int, call: str) -> str | None:
        arguments = [_peek(thread, register) for register in _ARGUMENTS]
        if call in _OPENS and not arguments[_OPENS[call]] & _CHANGING:
            return None
        if call in _WITH_DESCRIPTOR:
            number = arguments[_WITH_DESCRIPTOR[call]] & 0xFFFFFFFF
            return str(Path(f"/proc/{thread}/fd/{number}").readlink())
        folder, text = _WITH_PATH[call]
        path = _text(thread, arguments[text])
        if path.startswith("/"):
            return path
        at = ctypes.c_int32(arguments[folder] & 0xFFFFFFFF).value if folder is not None else -100
        where = Path(f"/proc/{thread}", "cwd" if at == -100 else f"fd/{at}").readlink()
        return f"{where}/{path}"

    def _process_of(self, thread: int) -> int:
        if thread not in self._processes:
            status = Path(f"/proc/{thread}/status").read_text(encoding="ascii")
            process = int(status.partition("Tgid:")[2].split()[0])
            self._processes[thread] = process
            self._births.setdefault(process, len(self._births))
        return self._processes[thread]

    def _kill_all(self) -> None:
        for process in self._births:
            try:
                os.kill(process, signal.SIGKILL)
            except ProcessLookupError:
                continue


def _ptrace(request: int, pid: int, address: int, data: int, *, may_fail: bool = False) -> int:
    ctypes.set_errno(0)
    result = int(_libc.ptrace(request, pid, address, data))
    error = ctypes.get_errno()
    if error and not may_fail:
        raise OSError(error, os.strerror(error))
    return result


def _peek(thread: int, register: int) -> int:
    value = ctypes.c_long(0)
    # The C library's ptrace returns the word, so that -1 is no error by itself.
    value.value = _ptrace(_PEEKUSER, thread, register, 0)
    return value.value


def _poke(thread: int, register: int, value: int) -> None:
    _ptrace(_POKEUSER, thread, register, value & 0xFFFFFFFFFFFFFFFF, may_fail=True)


def _text(thread: int, address: int) -> str:
    with Path(f"/proc/{thread}/mem").open("rb", buffering=0) as memory:
        memory.seek(address)
        found = b""
        while b"\0" not in found and len(found) < 8192:
            # Up to the end of the page, since the next one may not be there.
            found += memory.read(4096 - (address + len(found)) % 4096)
        return os.fsdecode(found.partition(b"\0")[0])


def _filter() -> None:
    """Have the kernel stop this process, and all that comes of it, at the calls of interest."""
    numbers = sorted(NUMBERS.values())
    load_number = struct.pack("HBBI", 0x20, 0, 0, 0)
    program = load_number + b"".join(
        struct.pack("HBBI", 0x15, len(numbers) - index, 0, number)
        for index, number in enumerate(numbers)
    )
    program += struct.pack("HBBI", 0x06, 0, 0, _ALLOW) + struct.pack("HBBI", 0x06, 0, 0, _TRACE)
    buffer = ctypes.create_string_buffer(program, len(program))
    header = struct.pack("HxxxxxxP", len(program) // 8, ctypes.addressof(buffer))
    _libc.prctl(_PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0)
    if _libc.prctl(_PR_SET_SECCOMP, _SECCOMP_MODE_FILTER, ctypes.c_char_p(header), 0, 0) != 0:
        raise OSError(ctypes.get_errno(), "seccomp")


def tally(steps: Mapping[int, Step]) -> dict[str, int]:
    """Count the steps by call."""
    counts: dict[str, int] = {}
    for step in steps.values():
        counts[step.call] = counts.get(step.call, 0) + 1
    return dict(sorted(counts.items()))
