"""What tests of the whole engine share."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from service_rig import Rig, rig_at


@pytest.fixture
def _nothing_needs_to_outlive_a_power_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "fsync", lambda _descriptor: None)


@pytest.fixture
def rig(tmp_path: Path) -> Rig:
    return rig_at(tmp_path)
