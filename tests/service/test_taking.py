"""What is taken from the inbox and when, beside the single file: folders, and files that are swapped."""

from __future__ import annotations

from pathlib import Path

from service_rig import recording, rig_at


def test_the_rest_of_a_folder_is_waited_for(tmp_path: Path) -> None:
    """A sheet that comes last still reaches its recording."""
    rig = rig_at(tmp_path)
    rig.drop("album/A.wav")
    rig.drop("album/record.yaml.part", b"artist: Mar")
    rig.take_in(60)
    assert rig.executor.started == []
    assert rig.engine.status().waiting[0].why == "waiting for the rest of its folder"
    (rig.root.inbox / "album/record.yaml.part").unlink()
    rig.drop("album/record.yaml", b"artist: Marlow\n")
    rig.take_in(10)
    (job,) = rig.running()
    assert (rig.root.work / job / "sheet/record.yaml").exists()


def test_the_rest_of_a_folder_is_not_waited_for_for_ever(tmp_path: Path) -> None:
    rig = rig_at(tmp_path)
    rig.drop("album/A.wav")
    rig.drop("album/scan.tif.part", b"")
    rig.take_in(110)
    assert rig.executor.started == []
    rig.passes(30)
    assert len(rig.executor.started) == 1


def test_a_recording_in_the_inbox_itself_does_not_wait_for_others(tmp_path: Path) -> None:
    rig = rig_at(tmp_path)
    rig.drop("A.wav")
    rig.drop("letter.txt.part", b"")
    rig.take_in(8)
    assert len(rig.executor.started) == 1


def test_a_file_swapped_at_the_last_moment_is_left(tmp_path: Path) -> None:
    """What was judged and what would be moved must be one file."""
    rig = rig_at(tmp_path)
    rig.drop("A.wav")
    real_look = rig.engine.intake.look

    def look_then_swap(now_s: float) -> object:
        ready = real_look(now_s)
        if ready:
            rig.drop("A.wav", recording(seed="swapped"))
        return ready

    rig.engine.intake.look = look_then_swap  # type: ignore[method-assign, assignment]
    rig.take_in(5)
    assert rig.executor.started == []
    assert "changed" in rig.events_logged("inbox.not_claimed")[0]["why"]
    assert (rig.root.inbox / "A.wav").exists()
    rig.engine.intake.look = real_look  # type: ignore[method-assign]
    rig.passes(80)
    assert len(rig.executor.started) == 1
