"""Hostile names, sheets, rule sets, tags and pictures, and an inbox full of tricks, sent through it all."""

from __future__ import annotations

import json
import os
import random
import re
import shutil
import socket
import struct
import subprocess
import sys
import threading
import time
import unicodedata
import zlib
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

from reliability import census
from reliability.figures import Figure, scratch
from reliability.forked_service import drained, in_a_fork
from reliability.small_sides import HOLDS, ONE_COPY, PICTURE, recording
from sidekeep.storage.folders import Root
from sidekeep.storage.jobfiles import read_result

RESERVED = re.compile(r"^(con|prn|aux|nul|com[1-9]|lpt[1-9])(\.|$)", re.IGNORECASE)
FORBIDDEN = set('<>:"/\\|?*')
PLACED = re.compile(r":\d+:\d+: ")
SAFE = "nothing outside the archive, nothing replaced"
QUICK, FULL = 0, 250  # random names beside the chosen ones
QUICKLY = 5  # names, paths and pictures of the quick form
RACES = 50
SEED = 1
SLOWEST_S = 30.0  # for a rule set that is wrong, with a fresh interpreter on a busy machine

NAMES = (
    "..", "...", "..wav", "-rf", "--root=.", "~", "$(reboot)", "`id`", "%s%n", "con", "NUL.x", "com1",
    "a\nb", "a\rb", "a\tb", "\x1b[31mred", "\x07bell", "bidi \u202ereversed", "zero\u200bwidth",
    "a" * 240, "\u00e9" * 115, "e\u0301clair", "\u00e9clair", "\U0001f3b6" * 50, "trailing ", "dot.",
    " leading", "quote'\"", "back\\slash", "semi;colon", "a:b", "pipe|", "star*", "question?",
    "<script>alert(1)</script>", "&amp;", "null%00byte", "%2e%2e%2f", "Side A [../../x]",
    "artist - title [..] A", "a - b [c] side /", "\ufeffbom", "\u2028line", "\x7f", "\x80\x9f",
    "\ud800".encode("utf-8", "surrogatepass").decode("utf-8", "surrogateescape"),
    b"\xff\xfe raw".decode("utf-8", "surrogateescape"),
)  # fmt: skip

PATHS = (
    "../../../../etc/cron.d/x", "/etc/passwd", "..", ".", "a/../../b", "\\\\server\\share", "C:\\x",
    "x\0y", ".hidden", "~root", "a" * 5000, "\u202e\u200b\x1b[2J", "  ", "NUL", "a/b/c/d/e/f/g",
)  # fmt: skip

SHEETS = {
    "bomb": "a: &a [x,x,x,x,x,x,x,x,x]\nb: &b [*a,*a,*a,*a,*a,*a,*a,*a]\nartist: [*b,*b,*b,*b]\n",
    "anchor": "artist: &x Marlow\ntitle: *x\n",
    "itself": "artist: &x [*x]\n",
    "twice": "artist: Marlow\nartist: Brackish\n",
    "deep": "artist: " + "[" * 3000 + "\n",
    "tag": "artist: !!python/object/apply:os.system [reboot]\n",
    "large": "artist: " + "x" * 10_000_000 + "\n",
    "binary": "\0\1\2\3",
    "list": "- a\n- b\n",
    "wrong kind": "artist: {a: b}\nsides: 7\n",
    "unknown": "artst: Marlow\n",
    "control": 'artist: "a\\u0007b"\nsides: {A: {tracks: [1, [], {}]}}\n',
    "documents": "artist: a\n---\nartist: b\n",
    "merge": "<<: {artist: x}\n",
}

RULE_SETS = {
    **SHEETS,
    "unknown step": "extends: default\nlouder: on\n",
    "cycle": "extends: itself\n",
    "numbers": "extends: default\nlevel: {peak: 99999 dBTP, per: moon}\n",
    "pattern": "extends: default\nnames: {file: ['{artist}{artist}{', '" + "{x}" * 2000 + "']}\n",
    "path": "extends: default\nfile: {path: '../../{artist}/{title}'}\n",
    "slow pattern": "extends: default\nnames: {file: ['(a+)+$']}\n",
}


def with_tags(wav: bytes, fields: dict[bytes, bytes]) -> bytes:
    """Add a LIST INFO chunk to a WAV file."""
    info = b"INFO"
    for name, value in fields.items():
        info += name + struct.pack("<I", len(value)) + value + b"\0" * (len(value) & 1)
    grown = wav + b"LIST" + struct.pack("<I", len(info)) + info
    return grown[:4] + struct.pack("<I", len(grown) - 8) + grown[8:]


def pictures() -> Iterator[tuple[str, bytes]]:
    """Pictures that are none, or far more than they seem."""

    def png(width: int, height: int, data: bytes = b"") -> bytes:
        def piece(kind: bytes, content: bytes) -> bytes:
            check = zlib.crc32(kind + content)
            return struct.pack(">I", len(content)) + kind + content + struct.pack(">I", check)

        head = struct.pack(">IIBBBBB", width, height, 8, 6, 0, 0, 0)
        return (
            b"\x89PNG\r\n\x1a\n" + piece(b"IHDR", head) + piece(b"IDAT", data) + piece(b"IEND", b"")
        )

    yield "bomb.png", png(60_000, 60_000, zlib.compress(bytes(1 << 24)))
    yield "no size.png", png(0, 0)
    yield "half.png", PICTURE[:20]
    yield "empty.png", b""
    yield "text.jpg", b"<script>alert(1)</script>"
    yield "endless.jpg", b"\xff\xd8" + b"\xff\xe0\x00\x02" * 50_000
    yield "large.png", PICTURE + bytes(33 << 20)
    yield "lies.jpg", PICTURE


class Stand:
    """A root beside something that must not be touched."""

    def __init__(self, folder: Path, rule_set: str) -> None:
        self.folder = folder
        self.root = Root(folder / "root")
        shutil.rmtree(self.root.path, ignore_errors=True)
        self.root.prepare()
        self.rules = folder / "rules"
        self.rules.mkdir(exist_ok=True)
        (self.rules / "default.yaml").write_text(rule_set, encoding="utf-8")
        self._whole = recording(folder, 7).read_bytes()
        self.outside = folder / "outside"
        self.outside.mkdir(exist_ok=True)
        (self.outside / "secret.wav").write_bytes(recording(folder, 99).read_bytes())
        self.before = self._all_outside()
        self._seed = 0
        self.dropped: list[str] = []

    def drop(self, name: str, change: dict[bytes, bytes] | None = None) -> Path:
        """Put a recording of its own into the inbox."""
        self._seed += 1
        data = self._whole[:1000] + self._seed.to_bytes(3, "little") + self._whole[1003:]
        path = self.root.inbox / name
        with path.open("xb") as file:  # never over another: that one would be missed
            file.write(with_tags(data, change or {}))
        self.dropped.append(census.sha256(path))
        return path

    def drain(self) -> list[str]:
        """Send all through the service and say what is wrong."""
        code = in_a_fork(lambda: drained(self.root.path, self.rules))
        wrong = [] if code == 0 else [f"the service ended with {code}"]
        wrong += census.faults(self.root, self.dropped) + census.unfinished(self.root)
        wrong += [f"bad name {path!r}" for path in _bad_names(self.root)]
        wrong += [f"a link: {path}" for path in self.root.archive.rglob("*") if path.is_symlink()]
        if self._all_outside() != self.before:
            wrong.append("something outside of the root was changed")
        return wrong

    def not_filed(self) -> list[str]:
        """Say which jobs were not filed, and why."""
        jobs = [job for place in (self.root.held, self.root.quarantine) for job in place.glob("2*")]
        return [f"{job.name}: {told.message}" for job in jobs if (told := read_result(job))]

    def ends(self) -> str:
        """Say how many jobs came to which end."""
        places = (self.root.jobs, self.root.held, self.root.quarantine)
        counts = Counter({p.name: sum(each.is_dir() for each in p.iterdir()) for p in places})
        names = {"jobs": "filed", "held": "held", "quarantine": "in quarantine"}
        return ", ".join(f"{counts[place]} {names[place]}" for place in names if counts[place])

    def _all_outside(self) -> dict[str, str]:
        inside = (self.root.path, self.rules)
        return {
            str(path): census.sha256(path)
            for path in self.folder.rglob("*")
            if path.is_file() and not any(path.is_relative_to(each) for each in inside)
        }


def _bad_names(root: Root) -> Iterator[str]:
    for place in (root.music, root.masters, root.jobs):
        for path in place.rglob("*"):
            name = path.name
            odd = any(unicodedata.category(c) in {"Cc", "Cf", "Cs", "Zl", "Zp"} for c in name)
            long = len(os.fsencode(name)) > 255
            if odd or long or FORBIDDEN & set(name) or RESERVED.match(name) or name[-1] in ". ":
                yield str(path.relative_to(root.archive))


def names(folder: Path, rng: random.Random, more: int) -> Figure:
    """Recordings with hostile names, in hostile folders, and with hostile tags."""
    stand = Stand(folder, ONE_COPY)
    letters = [*"aA1 .-_[]{}%'\"\\:*?<>|\x01\x1b\u202e\u0301\u00e9\u00df\U0001f3b6", "\udcff"]
    odd = [*NAMES, *("".join(rng.choices(letters, k=rng.randint(1, 40))) for _ in range(more))]
    odd = list(dict.fromkeys(odd)) if more else rng.sample(NAMES, QUICKLY)  # each name once
    count = 0
    for name in odd:
        if name.startswith("."):
            continue  # hidden, and so none of ours
        try:
            stand.drop(f"{name}.wav")
        except (OSError, ValueError):
            continue  # no file can have that name
        count += 1
        if count % 5 == 0:
            place = stand.root.inbox / f"{name[:60]} folder"
            place.mkdir(exist_ok=True)
            stand.drop(f"{place.name}/A.wav")
    for number, path in enumerate(PATHS if more else PATHS[:QUICKLY]):
        value = path.encode("utf-8", "surrogatepass")
        fields = dict.fromkeys((b"IART", b"IPRD", b"INAM", b"IGNR", b"ICRD"), value)
        stand.drop(f"tags {number}.wav", fields)
    stand.drop("tags of ten megabytes.wav", {b"IART": b"x" * 10_000_000, b"INAM": b"\x1b" * 1000})
    problems = [*stand.drain(), *stand.not_filed()]
    measured = f"{len(stand.dropped)} recordings, {stand.ends()}: {len(problems)} problems"
    return Figure("hostile names and tags", SAFE, measured, problems)


def sheets(folder: Path, *, full: bool) -> Figure:
    """Sheets with paths for names, and sheets that break readers; pictures that break them."""
    stand = Stand(folder, ONE_COPY)
    wrong = 0
    for number, path in enumerate(PATHS if full else PATHS[:QUICKLY]):
        stand.drop(f"path {number}.wav")
        quoted = json.dumps(path)
        keys = ("artist", "title", "label", "catalogue", "genre")
        text = "\n".join(f"{key}: {quoted}" for key in keys)
        text += f"\nsides:\n  A:\n    tracks:\n      - {quoted}\n"
        (stand.root.inbox / f"path {number}.yaml").write_text(text, encoding="utf-8")
    for name, text in SHEETS.items():
        stand.drop(f"{name}.wav")
        (stand.root.inbox / f"{name}.yaml").write_text(text, encoding="utf-8")
    for name, data in list(pictures())[: None if full else QUICKLY]:
        stand.drop(f"picture {name}.wav")
        (stand.root.inbox / f"picture {name}{Path(name).suffix}").write_bytes(data)
    problems = stand.drain()
    for job in stand.root.held.glob("2*"):
        message = json.loads((job / "result.json").read_text())["message"]
        wrong += bool(PLACED.search(message))
        if not PLACED.search(message):
            problems.append(f"{job.name} is held without a line number: {message[:200]}")
    expected = len(SHEETS) - 1  # one is larger than any that is copied
    if wrong < expected:
        problems.append(f"only {wrong} of {expected} wrong sheets were noticed")
    measured = (
        f"{len(stand.dropped)} recordings, {stand.ends()}; {wrong} wrong sheets told with line "
        f"and column: {len(problems)} problems"
    )
    return Figure("hostile sheets and pictures", f"{SAFE}, mistakes with line", measured, problems)


def rule_sets(folder: Path, chosen: Sequence[str]) -> Figure:
    """Rule sets that break readers: an error with its line, soon, and nothing else."""
    problems = []
    for name in chosen:
        home = folder / f"rules {name}"
        home.mkdir(exist_ok=True)
        (home / "itself.yaml").write_text(RULE_SETS[name], encoding="utf-8")
        began = time.monotonic()
        command = [sys.executable, "-m", "sidekeep.cli.main", "rules", "--json"]
        told = subprocess.run(
            command,
            env={**os.environ, "SIDEKEEP_RULES": str(home)},
            capture_output=True,
            check=False,
        )
        try:
            mistakes = json.loads(told.stdout)["mistakes"]
        except ValueError:
            problems.append(f"{name}: ended with {told.returncode}: {told.stderr[-300:]!r}")
            continue
        if not mistakes or not all(each["line"] >= 1 for each in mistakes):
            problems.append(f"{name}: no mistake with a line was told")
        if time.monotonic() - began > SLOWEST_S:
            problems.append(f"{name}: took {time.monotonic() - began:.1f} s")
    measured = f"{len(chosen)} rule sets, each refused with a line: {len(problems)} problems"
    return Figure("hostile rule sets", "each refused, with a line", measured, problems)


def tricks(folder: Path, races: int) -> Figure:
    """Links, pipes, sockets and devices in the inbox; and files swapped for links all the time."""
    stand = Stand(folder, HOLDS)
    inbox, secret = stand.root.inbox, stand.outside / "secret.wav"
    refused = ["link.wav", "dangling.wav", "hard.wav", "pipe.wav", "socket.wav"]
    (inbox / "link.wav").symlink_to(secret)
    (inbox / "dangling.wav").symlink_to("/nowhere/at/all.wav")
    (inbox / "folder").symlink_to(stand.outside)
    stand.drop("hard.wav")
    os.link(inbox / "hard.wav", folder / "second name")
    stand.before = stand._all_outside()
    os.mkfifo(inbox / "pipe.wav")
    plug = socket.socket(socket.AF_UNIX)
    plug.bind(str(inbox / "socket.wav"))
    if os.geteuid() == 0:
        os.mknod(inbox / "device.wav", 0o020644, os.makedev(1, 5))  # /dev/zero
        refused.append("device.wav")
    stand.drop("sheet is a link.wav")
    (inbox / "sheet is a link.yaml").symlink_to("/etc/passwd")
    problems = stand.drain()
    plug.close()
    problems += [f"{name} was taken" for name in refused if not os.path.lexists(inbox / name)]
    status = json.loads((stand.root.state / "status.json").read_text())
    told = {each["path"] for each in status["refused"]}
    problems += [f"{name} is not in the status" for name in refused if name not in told]
    secret_hash = census.sha256(secret)
    for _ in range(races):
        problems += _race(stand, secret, secret_hash)
    (folder / "second name").unlink()
    measured = (
        f"{len(refused)} refused and told, {races} races of a file swapped for a link: "
        f"{len(problems)} problems"
    )
    return Figure("inbox tricks", "refused, logged, nothing followed", measured, problems)


def _race(stand: Stand, secret: Path, secret_hash: str) -> list[str]:
    """Swap a recording for a link to something outside, again and again, while it is claimed."""
    data = recording(stand.folder, 8).read_bytes()
    target, spare, link = (stand.root.inbox / n for n in ("race.wav", ".spare", ".link"))
    stop = threading.Event()

    def swap() -> None:
        while not stop.is_set():
            spare.write_bytes(data)
            spare.replace(target)
            link.symlink_to(secret)
            link.replace(target)

    thread = threading.Thread(target=swap)
    thread.start()
    code = in_a_fork(lambda: drained(stand.root.path, stand.rules))
    stop.set()
    thread.join()
    for path in (target, spare, link):
        path.unlink(missing_ok=True)
    wrong = [] if code == 0 else [f"a race: the service ended with {code}"]
    for place in (stand.root.work, stand.root.held, stand.root.quarantine, stand.root.archive):
        wrong += [
            f"a race: {path} came in through a link"
            for path in place.rglob("*")
            if path.is_symlink() or (path.is_file() and census.sha256(path) == secret_hash)
        ]
    if census.sha256(secret) != secret_hash:
        wrong.append("a race: the file outside was changed")
    return wrong


def check(*, full: bool) -> Iterator[Figure]:
    """Send it all through; give a figure for each kind."""
    with scratch("hostile") as folder:
        yield names(folder, random.Random(SEED), FULL if full else QUICK)
        yield sheets(folder, full=full)
        yield rule_sets(folder, list(RULE_SETS) if full else ["bomb", "twice", "path"])
        yield tricks(folder, RACES if full else 1)
