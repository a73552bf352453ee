"""The table of who may import whom is the architecture; it changes in a commit of its own, with reasons."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

SOURCE = Path(__file__).parent.parent / "daemon" / "sidekeep"

#: Modules that hold nouns, texts and declarations: everybody may know them.
GROUND = {"model", "errors", "settings", "plain", "naming", "pathpattern", "cores", "forked"}
#: What people write, read into nouns.
WRITTEN = {
    "strict_yaml", "quantities", "schema", "patterns", "sheets", "rulesets", "choosing", "planfile",
    "planrecord", "yaml_text", "preferences", "keytables",
}  # fmt: skip
ACTS = {"measure", "beside", "decide", "render"}
#: What one recording's way through the acts is told in.
JOB = {"study", "look", "job", "worker", "memory", "telling", "delivery", "reuse", "retitle"}
TABLES = {"dsp", "measurements"}

ALLOWED: dict[str, set[str]] = {
    "ground": GROUND,
    "dsp": {"dsp", *GROUND},
    "measurements": {"dsp", *GROUND},
    "advice": GROUND,
    "findings": {"findings", "advice", *TABLES, *GROUND},
    "written": {*GROUND, *WRITTEN},
    "steps": {"steps", "findings", "advice", *TABLES, *GROUND},
    "acts": {"steps", "beside", *TABLES, *GROUND, *WRITTEN},
    "storage": {"storage", *GROUND},
    "report": {"report", *TABLES, *GROUND},
    "job": {*JOB, *ACTS, "steps", "findings", "storage", "report", *TABLES, *GROUND, *WRITTEN},
    "service": {"service", "storage", "report.archive_page", "report", *GROUND, *WRITTEN},
    "cli": {"cli", "service", "storage", "steps", *JOB, *GROUND, *WRITTEN},
}


def layer(module: str) -> str:
    """Name the layer that a module (dotted, without `sidekeep.`) belongs to."""
    head = module.partition(".")[0]
    if head in GROUND:
        return "ground"
    if head in WRITTEN:
        return "written"
    if head in ACTS:
        return "acts"
    if head in JOB:
        return "job"
    return head


def imports(path: Path) -> set[str]:
    """List the modules of ours that a file imports, without `sidekeep.`."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return {name.removeprefix("sidekeep.") for name in found if name.startswith("sidekeep.")}


def sources() -> list[Path]:
    """List every source file of the package."""
    return sorted(SOURCE.rglob("*.py"))


@pytest.mark.parametrize("path", sources(), ids=lambda path: str(path.relative_to(SOURCE)))
def test_imports_point_down(path: Path) -> None:
    module = ".".join(path.relative_to(SOURCE).with_suffix("").parts)
    if module in {"__init__", "__main__"}:
        return
    mine = layer(module)
    allowed = ALLOWED[mine]
    for name in imports(path):
        head = name.partition(".")[0]
        if head in {"__version__"}:
            continue
        assert head in allowed or name in allowed, f"{module} ({mine}) may not know {name}"


@pytest.mark.parametrize("path", sources(), ids=lambda path: str(path.relative_to(SOURCE)))
def test_steps_do_not_know_each_other(path: Path) -> None:
    if path.parent.name != "steps" or path.name in {"__init__.py", "step.py"}:
        return
    others = {name for name in imports(path) if name.startswith("steps")}
    assert others <= {"steps.step", "steps.step.Step"}


@pytest.mark.parametrize("path", sources(), ids=lambda path: str(path.relative_to(SOURCE)))
def test_files_stay_small(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 400


def test_the_service_never_imports_numpy() -> None:
    names = [
        ".".join(("sidekeep", *path.relative_to(SOURCE).with_suffix("").parts)).removesuffix(
            ".__init__"
        )
        for folder in ("service", "storage")
        for path in sorted((SOURCE / folder).glob("*.py"))
        if folder == "service"
    ]
    heavy = "{'numpy', 'scipy', 'soundfile', 'matplotlib'}"
    script = f"import {', '.join(names)}, sys\nprint(sorted(set(sys.modules) & {heavy}))"
    done = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"
