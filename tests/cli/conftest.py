"""No settings of the machine the tests run on."""

from __future__ import annotations

from pathlib import Path

import pytest

from sidekeep.cli import place


@pytest.fixture(autouse=True)
def _no_settings_of_this_machine(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(place, "SETTINGS", tmp_path / "no-settings.yaml")
