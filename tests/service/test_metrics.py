"""Metrics as OpenMetrics text (version 1.0)."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from prometheus_client.openmetrics.parser import text_string_to_metric_families

from sidekeep.service.metrics import Figures, render, write
from sidekeep.service.states import State

FIGURES = Figures(
    jobs={State.FILED: 12, State.HELD: 1},
    waiting_files=2,
    ignored_files=3,
    free_bytes=73_254_420_480,
    offline=False,
    last_success_s=1_795_599_556.0,
    last_scan_s=1_795_599_557.25,
    audit_oldest_s=None,
    audit_errors=0,
)


def test_another_reader_understands_all_of_it() -> None:
    """The strict parser of the format's reference library; it refuses wrong units and a missing end."""
    whole = replace(FIGURES, audit_oldest_s=5.0)
    families = {family.name: family for family in text_string_to_metric_families(render(whole))}
    assert set(families) == {
        "sidekeep_jobs",
        "sidekeep_inbox_waiting",
        "sidekeep_inbox_ignored",
        "sidekeep_free_bytes",
        "sidekeep_offline",
        "sidekeep_last_success_timestamp_seconds",
        "sidekeep_last_scan_timestamp_seconds",
        "sidekeep_audit_oldest_timestamp_seconds",
        "sidekeep_audit_errors",
    }
    assert all(family.type == "gauge" and family.documentation for family in families.values())
    assert families["sidekeep_free_bytes"].unit == "bytes"
    states = {sample.labels["state"]: sample.value for sample in families["sidekeep_jobs"].samples}
    assert states == {"filed": 12.0, "held": 1.0}


def test_values_are_exact() -> None:
    text = render(FIGURES)
    assert 'sidekeep_jobs{state="filed"} 12\n' in text
    assert "sidekeep_free_bytes 73254420480\n" in text
    assert "sidekeep_last_scan_timestamp_seconds 1795599557.25\n" in text
    assert "sidekeep_audit_errors 0\n" in text


def test_what_is_not_known_is_left_out() -> None:
    assert "audit_oldest" not in render(FIGURES)
    assert "audit_oldest_timestamp_seconds 5\n" in render(replace(FIGURES, audit_oldest_s=5.0))


def test_the_file_is_replaced_as_a_whole(tmp_path: Path) -> None:
    path = tmp_path / "metrics.prom"
    write(path, FIGURES)
    before = path.stat().st_ino
    write(path, FIGURES)
    assert path.stat().st_ino != before
    assert list(tmp_path.iterdir()) == [path]
