"""Power cuts: the image of a mounted ext4 is copied at every step, mounted, and recovered.

Only what was brought to the disk is in the copy, since the file system is mounted with a commit interval
of five minutes. An image changes when something is flushed, so a copy is made after each flush. Needs
root and loop devices.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from reliability import census
from reliability.figures import Figure, scratch
from reliability.forked_service import drained, in_a_fork, rule_sets_of
from reliability.kills import PATIENCE_S
from reliability.small_sides import SCENARIOS, Scenario, fill, recording, rules_for
from reliability.tracing import Answer, Step, run_traced
from sidekeep.storage.folders import Root

IMAGE_BYTES = 40 << 20
FLUSHES = frozenset({"fsync", "fdatasync"})
WANTED = "0 committed jobs lost, 0 recordings lost, recovered without a difference"
QUICK = 2  # cuts of one rule set


@dataclass(frozen=True, slots=True)
class Cut:
    """A copy of the image, as the disk was when that step was about to begin."""

    step: Step
    image: Path
    committed: bool


def possible() -> str:
    """Say why this cannot be done here; empty when it can."""
    if os.geteuid() != 0:
        return "only root may mount"
    tools = [tool for tool in ("mkfs.ext4", "mount", "losetup") if shutil.which(tool) is None]
    if tools:
        return f"{tools[0]} is missing"
    with scratch("loop") as folder:
        image = folder / "image"
        make_image(image)
        try:
            with mounted(image, folder / "there"):
                return ""
        except subprocess.CalledProcessError as error:
            return f"an image cannot be mounted here: {error.stderr.decode().strip()}"


@contextmanager
def mounted(image: Path, point: Path) -> Iterator[Path]:
    """Mount an image at a folder."""
    point.mkdir(exist_ok=True)
    options = "loop,commit=300,noatime"
    subprocess.run(["mount", "-o", options, image, point], check=True, capture_output=True)
    try:
        yield point
    finally:
        subprocess.run(["umount", "--lazy", point], check=True, capture_output=True)


def cuts_of(scenario: Scenario, folder: Path, rules: Path) -> tuple[list[Cut], dict[str, str]]:
    """Run the scenario once on a fresh image; give the cuts, and what was filed in the end."""
    image = folder / "image"
    make_image(image)
    cuts: list[Cut] = []
    flushed: Step | None = None
    committed = False
    with mounted(image, folder / "live") as point:
        root = Root(point / "root")
        root.prepare()
        fill(root.inbox, scenario, folder)
        os.sync()

        def at_step(step: Step) -> Answer:
            nonlocal flushed, committed
            if flushed is not None:
                committed = committed or _commits(flushed, scenario, root)
                copy = folder / f"cut-{step.number}"
                shutil.copyfile(image, copy)
                cuts.append(Cut(step, copy, committed))
            flushed = step if step.call in FLUSHES else None
            return None

        code = run_traced(lambda: drained(root.path, rules), root.path, at_step, PATIENCE_S)
        undisturbed = census.filed(root)
        if code != 0 or census.unfinished(root) or not _jobs(scenario, root):
            raise RuntimeError(f"{scenario.name}: the undisturbed run failed")
    return cuts, undisturbed


def recovered(
    cut: Cut, scenario: Scenario, folder: Path, rules: Path, undisturbed: dict[str, str]
) -> list[str]:
    """Mount a cut, start the service on it, and say what is wrong then."""
    wrong = []
    with mounted(cut.image, folder / "after") as point:
        root = Root(point / "root")
        if cut.committed and not _jobs(scenario, root):
            wrong.append("the job was committed and is not there")
        dropped = [census.sha256(recording(folder))]
        wrong += census.faults(root, dropped)
        code = in_a_fork(lambda: drained(root.path, rules))
        if code != 0:
            wrong.append(f"draining after it ended with {code}")
        wrong += census.faults(root, dropped) + census.unfinished(root)
        wrong += census.differences(census.filed(root), undisturbed)
    where = f"{scenario.name}, cut before {cut.step.number} ({cut.step.call} {cut.step.path})"
    return [f"{where}: {each}" for each in wrong]


def _commits(flushed: Step, scenario: Scenario, root: Root) -> bool:
    """Whether that flush was the one that makes the job count."""
    place = {"filed": "archive/jobs", "held": "held"}[scenario.outcome]
    return flushed.path == place and bool(_jobs(scenario, root))


def _jobs(scenario: Scenario, root: Root) -> list[Path]:
    place = {"filed": root.jobs, "held": root.held}[scenario.outcome]
    return [path for path in place.iterdir() if path.is_dir()]


def make_image(image: Path) -> None:
    with image.open("wb") as file:
        file.truncate(IMAGE_BYTES)
    subprocess.run(
        ["mkfs.ext4", "-q", "-F", "-E", "lazy_itable_init=0,lazy_journal_init=0", image],
        check=True,
        capture_output=True,
    )


def check(*, full: bool) -> Iterator[Figure]:
    """Cut the power after every flush, or after some; give a figure for each rule set."""
    why_not = possible()
    if why_not:
        yield Figure("power cut, ext4 image copied at each flush", WANTED, "", not_done=why_not)
        return
    with scratch("power") as folder:
        for scenario in SCENARIOS if full else SCENARIOS[:1]:
            rules = rules_for(scenario, folder)
            rule_sets_of(str(rules))
            cuts, undisturbed = cuts_of(scenario, folder, rules)
            chosen = cuts if full else cuts[-1 :: -(len(cuts) // QUICK)][:QUICK]
            problems: list[str] = []
            for cut in chosen:
                problems += recovered(cut, scenario, folder, rules, undisturbed)
            for cut in cuts:
                cut.image.unlink()
            committed = sum(cut.committed for cut in chosen)
            measured = (
                f"{len(chosen)} of {len(cuts)} cuts, {committed} after the job was committed: "
                f"{len(problems)} problems"
            )
            yield Figure(f"power cut, ext4, {scenario.name}", WANTED, measured, problems)
