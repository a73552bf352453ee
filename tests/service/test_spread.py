"""Jobs on a local Dask cluster of real processes: same bytes, and a killed worker loses nothing."""

from __future__ import annotations

import multiprocessing
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from acts_rig import TITLES, sheet, small_side
from composer import write
from sidekeep.errors import MachineFault
from sidekeep.preferences import Preferences
from sidekeep.service.assembly import Wishes, assemble
from sidekeep.service.drain import drain
from sidekeep.service.executor import Call, run_worker
from sidekeep.service.limits import Limits
from sidekeep.service.logs import open_log
from sidekeep.service.readiness import Settle
from sidekeep.service.spread import Spread

distributed = pytest.importorskip("distributed", reason="the extra 'spread' is not installed")
pytestmark = pytest.mark.filterwarnings("ignore")  # of a library that is not ours

LIMITS = Limits(memory_bytes=2 << 30, wall_s=60.0, cpu_s=60, file_bytes=1 << 20)
PATIENCE_S = 60.0


@pytest.fixture(scope="module")
def cluster() -> Iterator[Any]:
    """Two worker processes, one call at a time each; they find the scripted worker."""
    before = os.environ.get("PYTHONPATH")
    os.environ["PYTHONPATH"] = str(Path(__file__).parents[1])
    try:
        with distributed.LocalCluster(
            n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
        ) as made:
            yield made
    finally:
        if before is None:
            del os.environ["PYTHONPATH"]
        else:
            os.environ["PYTHONPATH"] = before


def scripted(root: Path, script: str) -> Call:
    """A job whose worker does what `script` says."""
    folder = root / "work" / "job"
    folder.mkdir(parents=True)
    (folder / "script").write_text(script)
    return Call(str(root), "job", LIMITS, worker="scripted_worker")


def appeared(path: Path) -> str:
    """Wait until another process has written the file."""
    with subprocess.Popen(
        ["sh", "-c", 'until [ -s "$0" ]; do sleep 0.02; done', str(path)]
    ) as waiting:
        waiting.wait(PATIENCE_S)
    return path.read_text()


def has_ended(process: int) -> bool:
    """Whether a process is gone, or only waits to be counted by its parent."""
    try:
        facts = Path(f"/proc/{process}/stat").read_text(encoding="utf-8")
    except FileNotFoundError:
        return True
    return facts.rpartition(")")[2].split()[0] == "Z"


def filed(root: Path, address: str | None, executor: Executor | None = None) -> dict[str, bytes]:
    """Put one side through a whole service; give all audio that is in its archive."""
    write(small_side(), root / "inbox" / "A.wav")
    (root / "inbox" / "A.yaml").write_text(sheet(*TITLES), encoding="utf-8")
    at_once = Settle(0.0, 0.0)
    wishes = Wishes(at_once, open_log(silent=True), executor)
    with assemble(Preferences(root=str(root), spread=address), wishes) as service:
        assert drain(service, PATIENCE_S)
    archive = root / "archive"
    kept = [*(archive / "music").rglob("*.*"), *(archive / "masters").rglob("*.*")]
    return {str(path.relative_to(archive)): path.read_bytes() for path in kept if path.is_file()}


def test_wherever_it_is_done_the_bytes_are_the_same(cluster: Any, tmp_path: Path) -> None:
    """Here, on a cluster, and handed to an executor of the standard library."""
    for name in ("here", "there", "elsewhere"):
        (tmp_path / name).mkdir()
    here = filed(tmp_path / "here", None)
    assert len(here) == 3  # two tracks and the master
    assert filed(tmp_path / "there", cluster.scheduler_address) == here
    with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as pool:
        assert filed(tmp_path / "elsewhere", None, pool) == here


def test_a_killed_worker_loses_nothing(cluster: Any, tmp_path: Path) -> None:
    call = scripted(tmp_path, "hang")
    with Spread(cluster.scheduler_address, str(tmp_path)) as spread:
        running = spread.submit(run_worker, call)
        folder = tmp_path / "work" / "job"
        child = int(appeared(folder / "pid"))
        parent = int(Path(f"/proc/{child}/stat").read_text().rpartition(")")[2].split()[1])
        assert parent != os.getpid()
        (folder / "script").write_text("say")
        os.kill(parent, signal.SIGKILL)
        assert running.result(PATIENCE_S).well
    assert (folder / "said").exists()
    assert has_ended(child)


def test_the_same_call_is_made_again_when_it_is_given_again(cluster: Any, tmp_path: Path) -> None:
    call = scripted(tmp_path, "3 something broke")
    with Spread(cluster.scheduler_address, str(tmp_path)) as spread:
        assert spread.submit(run_worker, call).result(PATIENCE_S).code == 3
        (tmp_path / "work" / "job" / "script").write_text("say")
        assert spread.submit(run_worker, call).result(PATIENCE_S).well


def test_shutting_down_ends_the_children_of_this_root_alone(cluster: Any, tmp_path: Path) -> None:
    mine = Spread(cluster.scheduler_address, str(tmp_path / "mine"))
    running = mine.submit(run_worker, scripted(tmp_path / "mine", "hang"))
    beside = Spread(cluster.scheduler_address, str(tmp_path / "other"))
    theirs = beside.submit(run_worker, scripted(tmp_path / "other", "hang"))
    ended, alive = (
        int(appeared(tmp_path / name / "work" / "job" / "pid")) for name in ("mine", "other")
    )
    mine.shutdown(cancel_futures=True)
    assert running.result(PATIENCE_S).abandoned
    assert has_ended(ended)
    assert not has_ended(alive)
    beside.shutdown(cancel_futures=True)
    assert theirs.result(PATIENCE_S).abandoned


def test_a_scheduler_that_does_not_answer_defers(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr("sidekeep.service.spread.CONNECT_S", 0.2)
    executor: Executor = Spread("tcp://127.0.0.1:1", str(tmp_path))
    with pytest.raises(OSError, match="connect"):
        executor.submit(run_worker, scripted(tmp_path, "say"))
    executor.shutdown()


def test_a_missing_extra_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(MachineFault, match="needs the package distributed") as told:
        Spread("tcp://desk:8786", "/srv")
    assert "sidekeep[spread]" in told.value.advice


def test_without_the_setting_nothing_of_it_is_imported(tmp_path: Path) -> None:
    script = (
        "import sys\n"
        "from sidekeep.preferences import Preferences\n"
        "from sidekeep.service.assembly import assemble\n"
        "with assemble(Preferences(root=sys.argv[1])): pass\n"
        "print(sorted({'distributed', 'dask'} & set(sys.modules)))"
    )
    command = [sys.executable, "-c", script, str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
