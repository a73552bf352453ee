"""Reading the head of a file dropped in the inbox, and saying whether it can be processed.

Nothing is decoded here, and no audio library is needed: the service itself may ask.
"""

from __future__ import annotations

import os
import stat
from pathlib import Path, PurePath

from sidekeep.errors import Damaged, Lossy, Misnamed, NotAudio, OutsideLimits
from sidekeep.storage.containers import aiff, caf, flac, foreign, riff, w64
from sidekeep.storage.containers.header import Header, Malformed, Source, State

LOWEST_RATE_HZ, HIGHEST_RATE_HZ = 44_100, 192_000
MOST_CHANNELS = 2
LONGEST_S = 12 * 3600

_FAMILIES = (riff.read, w64.read, aiff.read, caf.read, flac.read)
#: By which bytes each family is known, and where they stand.
_FAMILY_MARKS = (
    *(((0, kind), (8, b"WAVE")) for kind in (b"RIFF", b"RF64", b"BW64")),
    ((0, w64.RIFF), (24, w64.WAVE)),
    *(((0, b"FORM"), (8, kind)) for kind in (b"AIFF", b"AIFC")),
    ((0, b"caff"),),
    ((0, flac.MARK),),
    ((0, b"ID3"),),
)
_CONTAINERS_OF_SUFFIX = {
    ".wav": ("wav", "rf64", "bw64"),
    ".wave": ("wav", "rf64", "bw64"),
    ".bwf": ("wav", "rf64", "bw64"),
    ".rf64": ("wav", "rf64", "bw64"),
    ".w64": ("w64",),
    ".aif": ("aiff", "aifc"),
    ".aiff": ("aiff", "aifc"),
    ".aifc": ("aiff", "aifc"),
    ".caf": ("caf",),
    ".flac": ("flac",),
}
_LOSSY_SUFFIXES = frozenset(
    (".mp3", ".mp2", ".m4a", ".mp4", ".aac", ".ogg", ".oga", ".opus", ".wma", ".mpc")
)
_WORD_LENGTHS = {"pcm": (16, 20, 24, 32), "float": (32, 64), "flac": (16, 24)}
_RECORD_AGAIN = (
    "Set the recorder to WAV, AIFF or FLAC, 24 bits, 44.1 to 192 kHz, and play the side again."
)


def read_header(path: str | Path, *, folder: int | None = None) -> Header:
    """Read the head of a file. Links are not followed, pipes not waited for.

    Args:
        path: the file.
        folder: descriptor of the folder that `path` is relative to.

    Raises:
        OSError: the file cannot be opened or read.
        NotAudio: it is no regular file.
    """
    flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC
    descriptor = os.open(path, flags, dir_fd=folder)
    try:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode):
            raise NotAudio(f"{PurePath(path).name} is not a regular file.")
        return _read(descriptor, status.st_size)
    finally:
        os.close(descriptor)


def _read(descriptor: int, size: int) -> Header:
    for family in _FAMILIES:
        try:
            header = family(Source(descriptor, size))
        except Malformed as error:
            name = family.__module__.rpartition(".")[2]
            container = "wav" if name == "riff" else name
            return Header(container, state=State.UNKNOWN, reason=str(error))
        if header is not None:
            return header
    if _has_only_begun(Source(descriptor, size)):
        reason = "only its first bytes have been written yet"
        return Header("empty", state=State.UNFINISHED, reason=reason)
    return foreign.read(Source(descriptor, size))


def _has_only_begun(source: Source) -> bool:
    """Whether a file ends before the marks that would tell what it is, or inside its ID3v2 tag."""
    start = source.read(0, 40)
    if start.startswith(b"ID3"):
        return flac.MARK.startswith(source.read(flac.after_tag(start), 4))
    return start != b"" and any(
        all(mark.startswith(start[at : at + len(mark)]) for at, mark in marks)
        for marks in _FAMILY_MARKS
    )


def check_acceptable(header: Header, file_name: str) -> None:
    """Say whether a recording with this header can be processed.

    Args:
        header: what `read_header` gave.
        file_name: the file's name, for the message and for its extension.

    Raises:
        NotAudio: it is no audio, or none we know.
        Lossy: lossy-coded audio.
        Misnamed: the name's extension says another format than the content.
        Damaged: cut short, unfinished, or with a header that contradicts itself.
        OutsideLimits: coding, word length, rate, channels or length outside what is accepted.
    """
    _check_kind(header, file_name)
    _check_name(header, file_name)
    if header.state is not State.FINISHED:
        raise Damaged(
            f"{file_name} is not a whole recording: {header.reason}.",
            "Copy it again if it was copied. If the recorder crashed, let its own repair function write "
            "the header anew, or play the side again.",
        )
    _check_numbers(header, file_name)


def _check_kind(header: Header, file_name: str) -> None:
    kind = header.codec or header.container
    if kind in foreign.LOSSY or header.container in foreign.LOSSY:
        raise Lossy(
            f"{file_name} holds lossy audio ({kind}); what such a coding leaves out cannot be brought back.",
            _RECORD_AGAIN,
        )
    if kind in foreign.LOSSLESS_NOT_TAKEN:
        raise OutsideLimits(
            f"{file_name} holds {kind}, which is lossless but not read here.",
            "Convert it to FLAC or WAV without changing rate or word length, and drop that.",
        )
    if header.container in {"empty", "zeros"}:
        raise Damaged(f"{file_name} holds no audio: {header.reason}.", "Copy or record it again.")
    if not any(header.container in group for group in _CONTAINERS_OF_SUFFIX.values()):
        what = "in no format we know" if header.container == "unknown" else f"a {header.container}"
        raise NotAudio(
            f"{file_name} is not an audio recording; it is {what}.",
            "Put it where it belongs; recordings are WAV, W64, AIFF, CAF or FLAC files.",
        )


def _check_name(header: Header, file_name: str) -> None:
    suffix = PurePath(file_name).suffix.lower()
    fitting = _CONTAINERS_OF_SUFFIX.get(suffix)
    if (fitting and header.container not in fitting) or suffix in _LOSSY_SUFFIXES:
        right = next(s for s, group in _CONTAINERS_OF_SUFFIX.items() if header.container in group)
        raise Misnamed(
            f"{file_name} is named {suffix} but holds {header.container.upper()} audio.",
            f"If that is what you meant to record, rename it to end in {right} and run `sidekeep retry`.",
        )


def _check_numbers(header: Header, file_name: str) -> None:
    lengths = _WORD_LENGTHS.get(header.codec)
    if lengths is None:
        raise OutsideLimits(
            f"{file_name} is coded as {header.codec}, which is not read here.", _RECORD_AGAIN
        )
    if header.bits not in lengths:
        raise OutsideLimits(
            f"{file_name} has {header.bits}-bit samples ({header.codec}), which are not taken.",
            _RECORD_AGAIN,
        )
    if not LOWEST_RATE_HZ <= header.rate_hz <= HIGHEST_RATE_HZ:
        raise OutsideLimits(
            f"{file_name} has a sample rate of {header.rate_hz:,} Hz; 44.1 to 192 kHz are taken.",
            _RECORD_AGAIN,
        )
    if header.rate_hz > 0xFFFF and header.rate_hz % 10:
        # RFC 9639, 9.1.2: a FLAC frame cannot say such a rate, and no converter has one.
        raise OutsideLimits(
            f"{file_name} has a sample rate of {header.rate_hz:,} Hz, which is none that is used.",
            _RECORD_AGAIN,
        )
    if not 1 <= header.channels <= MOST_CHANNELS:
        raise OutsideLimits(
            f"{file_name} has {header.channels} channels; a side is mono or stereo.",
            "Set the recorder to the two channels of the turntable.",
        )
    if header.frames == 0:
        raise Damaged(f"{file_name} holds no audio: its length is 0.", "Record it again.")
    if header.frames > LONGEST_S * header.rate_hz:
        raise OutsideLimits(
            f"{file_name} lasts {header.frames / header.rate_hz / 3600:.1f} hours; "
            f"{LONGEST_S // 3600} hours are taken at most.",
            "Cut it into single sides.",
        )
