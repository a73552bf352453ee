"""What became of the scenario: the archive's tree, each job's verdict, and where to look."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path


def tree(folder: Path, indent: str = "") -> Iterator[str]:
    """Give the lines of a folder's tree; hidden entries are left out."""
    entries = sorted(entry for entry in folder.iterdir() if not entry.name.startswith("."))
    for place, entry in enumerate(entries):
        last = place == len(entries) - 1
        size = f"  ({entry.stat().st_size / 1e6:.1f} MB)" if _is_large(entry) else ""
        yield f"{indent}{'└── ' if last else '├── '}{entry.name}{size}"
        if entry.is_dir():
            yield from tree(entry, indent + ("    " if last else "│   "))


def _is_large(entry: Path) -> bool:
    return entry.is_file() and entry.stat().st_size > 100_000


def main(root: Path) -> None:
    """Show everything."""
    for name in ("archive", "held", "quarantine"):
        folder = root / name
        print(f"{name}/")
        print("\n".join(tree(folder)) if folder.is_dir() else "(nothing)")
        print()
    jobs = [str(Path(sys.executable).parent / "sidekeep"), "jobs", "--root", str(root)]
    print("Each job (sidekeep jobs):", flush=True)  # before what the command itself prints
    subprocess.run(jobs, check=True)
    print()
    print("Where to look:")
    print(f"  the whole archive at a glance   {root / 'archive' / 'index.html'}")
    for report in sorted(root.glob("archive/jobs/*/report.html")):
        print(f"  filed, with its report          {report}")
    for report in sorted(root.glob("held/*/report.html")):
        print(f"  waits for a person              {report}")
    for plan in sorted(root.glob("held/*/plan.yaml")):
        print(f"  correct this, then release      {plan}")
    for reason in sorted(root.glob("quarantine/*/reason.yaml")):
        print(f"  cannot be processed, and why    {reason}")
    manifests = len(list(root.glob("archive/jobs/*/manifest.sha256")))
    print(f"  check it with no program of ours: cd {root / 'archive'} &&")
    print(f"    sha256sum -c jobs/*/manifest.sha256   ({manifests} manifests)")


if __name__ == "__main__":
    main(Path(sys.argv[1]))
