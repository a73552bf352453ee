"""The error tree: an error's class decides what becomes of the job.

Every error carries what happened and, where there is something to do, what the person can do.
"""

from __future__ import annotations

from dataclasses import dataclass


class SidekeepError(Exception):
    """The root of all errors of our own.

    Args:
        message: what happened, to which file, and why, in one sentence.
        advice: what the person can do about it; empty when nothing is needed.
    """

    def __init__(self, message: str, advice: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.advice = advice


# --- the recording can never work: quarantine ------------------------------------------------


class Unusable(SidekeepError):
    """The recording cannot be processed, now or later."""


class NotAudio(Unusable):
    """The file is not audio in a container we know."""


class Damaged(Unusable):
    """The file is cut short, its header lies, or decoding fails."""


class Lossy(Unusable):
    """The file holds lossy-coded audio."""


class Misnamed(Unusable):
    """The name's extension says another format than the content."""


class Silent(Unusable):
    """Nothing was recorded."""


class OutsideLimits(Unusable):
    """Channels, sample rate, length or size outside what is accepted."""


# --- a person must decide: hold ----------------------------------------------------------------


class NeedsPerson(SidekeepError):
    """A person must decide or correct something; the job is held."""


# --- the machine's fault: defer ------------------------------------------------------------------


class MachineFault(SidekeepError):
    """The disk, the share or the system failed; the job is tried again later."""


# --- what a person wrote is wrong: a command says so and exits ---------------------------------------


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake in a text file: where it is and what is wrong."""

    file: str
    line: int
    column: int
    text: str

    def __str__(self) -> str:
        return f"{self.file}:{self.line}:{self.column}: {self.text}"


class WrittenWrong(SidekeepError):
    """A sheet, rule set, plan or settings file has mistakes; all of them are listed.

    Args:
        mistakes: every mistake found, in the order of the file.
    """

    def __init__(self, mistakes: tuple[Mistake, ...]) -> None:
        super().__init__("\n".join(str(mistake) for mistake in mistakes))
        self.mistakes = mistakes


class Refused(SidekeepError):
    """A command cannot do what was asked (unknown job, wrong state, second service)."""
