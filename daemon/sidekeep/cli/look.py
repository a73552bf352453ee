"""Measures a recording and says what would be done with it; writes nothing."""

from __future__ import annotations

import argparse
import importlib
from typing import Any

from sidekeep.cli import exit_codes
from sidekeep.cli.output import bold, print_json, say
from sidekeep.cli.place import preferences_of
from sidekeep.cli.progress import Bars
from sidekeep.cli.recordings import folder_of, rule_folders, sheet_of
from sidekeep.planfile import time_text


def run(arguments: argparse.Namespace) -> int:
    """Look and tell."""
    sheet = sheet_of(arguments)
    preferences = preferences_of(arguments)
    act = importlib.import_module("sidekeep.look")  # brings the numeric libraries along
    bars = Bars()
    try:
        seen = act.look(
            arguments.file,
            arguments.rules,
            sheet,
            arguments.side,
            folder=folder_of(arguments, preferences),
            rule_folders=rule_folders(preferences),
            progress=bars.told,
        )
    finally:
        bars.close()
    if arguments.json:
        print_json(seen)
    else:
        say("\n".join(_lines(arguments.file.name, seen)))
    return exit_codes.DONE if seen["outcome"] == "file" else exit_codes.NEEDS_PERSON


def _lines(name: str, seen: dict[str, Any]) -> list[str]:
    """Say in plain words what was found and what would be done."""
    recording, programme = seen["recording"], seen["programme"]
    lines = [
        bold(f"{name}: {seen['verdict']}"),
        *([seen["sentence"]] if seen["sentence"] else []),
        "",
        f"recording   {recording['rate_hz'] / 1000:g} kHz, {recording['bits']} bits, "
        f"{recording['channels']} channels, {time_text(recording['duration_s'])}",
        f"rule set    {seen['rule_set']} ({seen['rule_reason']})",
    ]
    lines += [f"treatment   {text}" for text in seen["treatments"]]
    if programme:
        lines.append(
            f"programme   {time_text(programme['start_s'])} to {time_text(programme['end_s'])}"
        )
    lines += [f"balance     {_balance(seen['balance'])}"]
    if seen["level"]:
        lines.append(f"level       {_level(seen['level'])}")
    lines += ["", *(_track(track) for track in seen["tracks"])]
    lines += ["", *(_finding(f) for f in seen["findings"])] if seen["findings"] else []
    done = "would be filed" if seen["outcome"] == "file" else "would be held:"
    lines += ["", bold(done), *(f"  - {reason}" for reason in seen["reasons"])]
    return lines


def _balance(balance: dict[str, Any]) -> str:
    if balance["measured_db"] is None:
        return f"left alone: {balance['reason']}"
    louder = "left" if balance["measured_db"] > 0 else "right"
    return (
        f"{abs(balance['measured_db']):.2f} dB louder on the {louder}, "
        f"{abs(balance['applied_db']):.2f} dB corrected ({balance['reason']})"
    )


def _level(level: dict[str, Any]) -> str:
    def number(key: str, unit: str) -> str:
        return "–" if level[key] is None else f"{level[key]:.1f} {unit}"

    gain = f"gain {level['gain_db']:+.2f} dB, ruled by {level['ruled_by']}"
    if level["ruled_by"] == "none":
        gain = "gain per track, below"
    return (
        f"{number('integrated_lufs', 'LUFS')}, range {number('range_lu', 'LU')}, true peak "
        f"{number('true_peak_dbtp', 'dBTP')}; {gain}"
    )


def _track(track: dict[str, Any]) -> str:
    side, gains = track["side"] or "", track["gain_db"]
    return (
        f"  {side}{track['number']:<3} {time_text(track['start_s']):>10} to "
        f"{time_text(track['end_s']):>10}  {sum(gains) / len(gains):+6.2f} dB  {track['title']}"
    )


def _finding(finding: dict[str, Any]) -> str:
    return (
        f"  {finding['severity']:<7} {time_text(finding['start_s']):>10}  "
        f"{finding['kind']}: {finding['detail']}"
    )
