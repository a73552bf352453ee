"""Metrics as OpenMetrics text (version 1.0)."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

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
# The grammar of OpenMetrics 1.0, section 5 (ABNF), as far as gauges need it.
SAMPLE = re.compile(r'^sidekeep_[a-z_]+(\{[a-z]+="[a-z]+"\})? -?[0-9.e+]+$')
COMMENT = re.compile(r"^# (TYPE sidekeep_[a-z_]+ gauge|UNIT sidekeep_[a-z_]+ [a-z]+|HELP .+)$")


def test_every_line_keeps_to_the_grammar() -> None:
    lines = render(FIGURES).split("\n")
    assert lines[-2:] == ["# EOF", ""]
    for line in lines[:-2]:
        assert SAMPLE.match(line) or COMMENT.match(line), line


def test_a_unit_ends_the_name_it_is_given_for() -> None:
    units = re.findall(r"# UNIT (\S+) (\S+)", render(FIGURES))
    assert ("sidekeep_free_bytes", "bytes") in units
    assert all(name.endswith("_" + unit) for name, unit in units)


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
