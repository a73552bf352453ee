"""A composed side as a job in a root of its own, for tests of whole jobs."""

from __future__ import annotations

from pathlib import Path

from composer import Band, ComposedSide, SideSpec, Track, compose, sheet_text, write
from sidekeep.job import run
from sidekeep.rulesets import RuleSet, load_rule_sets
from sidekeep.storage.folders import Root
from sidekeep.storage.jobfiles import Result
from sidekeep.storage.order import Order, write_order
from sidekeep.study import SECTIONS

TITLES = ("Slack Water", "Ebb")
JOB = "20260101-low-water-a"


def small_side() -> ComposedSide:
    """Compose two short tracks between lead-in and run-out, 44.1 kHz."""
    first = Track(TITLES[0], Band(), 26.0, gap_s=2.0)
    second = Track(TITLES[1], Band(tempo_bpm=88.0, key=5, scale=1), 24.0, fade_out_s=4.0)
    return compose(SideSpec((first, second), seed=7, locked_s=6.0))


def sheet(*titles: str) -> str:
    """Give a sheet with these tracks on side A."""
    tracks: list[tuple[str, float | None]] = [(title, None) for title in titles]
    return sheet_text(
        artist="Marlow and the Tide Tables",
        title="Low Water",
        sides={"A": tracks},
        rpm=33,
        year=1987,
    )


def rules(folder: Path, **texts: str) -> dict[str, RuleSet]:
    """Load the shipped rule sets with these laid over them."""
    folder.mkdir(exist_ok=True)
    for name, text in texts.items():
        (folder / f"{name}.yaml").write_text(text, encoding="utf-8")
    return load_rule_sets((folder,), SECTIONS)


class Bench:
    """A root with one claimed job."""

    def __init__(self, path: Path, side: ComposedSide, sheet_yaml: str | None) -> None:
        path.mkdir()
        self.root = Root(path)
        self.root.prepare()
        self.folder = self.root.work / JOB
        write(side, self.folder / "recording" / "A.wav")
        if sheet_yaml is not None:
            (self.folder / "sheet").mkdir()
            (self.folder / "sheet" / "A.yaml").write_text(sheet_yaml, encoding="utf-8")
        given = None if sheet_yaml is None else "sheet/A.yaml"
        self.order = Order(JOB, "A.wav", "", ("recording/A.wav",), sheet=given)
        write_order(self.folder, self.order)

    def run(self, rule_sets: dict[str, RuleSet]) -> Result:
        """Run the job as its worker would, in this process."""
        return run(self.root, JOB, rule_sets)

    @property
    def stage(self) -> Path:
        """The job's stage."""
        return self.root.incoming / JOB

    def tracks(self) -> list[Path]:
        """The files of the tracks in the stage, by name."""
        return sorted(path for path in (self.stage / "music").rglob("*") if path.is_file())
