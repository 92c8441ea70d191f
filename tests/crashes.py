"""Breaks the log's saves in every way we know, and checks that nothing acknowledged is lost.

`python -m tests.crashes --saves 1000` prints the figures: kill -9 at random points, a full disk at every write, power
cuts. The tests in tests/app/test_crash.py do the same with fewer saves.

The saver is a program of its own (`python -m tests.crashes saver FOLDER COUNT`), which prints a line once a save is
acknowledged. Power cuts: strace records what the saver wrote and synced, and `Disk` plays it again up to a cut,
keeping what was synced for certain and of the rest nothing, or a part that chance chooses. Full disk: strace makes
the saver's own writes and syncs fail with "no space left".
"""

from __future__ import annotations

import argparse
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

from app import archive
from app.errors import TurnblueError
from app.records import FilterKind, Pool, Visit
from app.store.log import Log, new_id

ROOT = Path(__file__).parent.parent
AT = datetime(2026, 6, 3, 16, 0, tzinfo=UTC)
PAGE_BYTES = 4096
"""What a disk writes at once, at least: a write that was not synced may be cut at its multiples."""


@dataclass
class Tally:
    """What was tried, and what came out; `wrong` is empty where nothing acknowledged was lost."""

    tried: int = 0
    acknowledged: int = 0
    mended: dict[str, int] = field(default_factory=dict)
    wrong: list[str] = field(default_factory=list)

    def __str__(self):
        mended = ", ".join(f"{count} {kind}" for kind, count in sorted(self.mended.items())) or "nothing"
        wrong = "; ".join(self.wrong[:5]) or "nothing lost, every log sound"
        return f"{self.tried} times, {self.acknowledged} acknowledged saves checked; to mend: {mended}; {wrong}"


def make_log(folder: Path) -> str:
    """Make a log with one open recovery and return its id."""
    with Log(folder) as log:
        log.add_pool(Pool("p-1", "Cedar Lane 12", 50_000.0, FilterKind.SAND), at=AT, who="Robin")
        return log.open_recovery("p-1", at=AT, who="Robin")


def save_one(log: Log, recovery_id: str, turn: int) -> tuple[str, str]:
    """Save a visit with a photo, as `actions.log_visit` does before it measures; return both ids."""
    visit = Visit(new_id("v"), recovery_id, AT, "Robin", note=str(turn))
    content = visit.id.encode() * random.Random(turn).randrange(20, 2000)
    sha256 = log.add_photo(content, name="a.jpg", received_at=AT, kind="water", who="Robin")
    with log.atomic():
        log.save_visit(visit, at=AT, who="Robin")
        log.give_photo(sha256, visit.id, at=AT, who="Robin")
    return visit.id, sha256


def saver(folder: Path, count: int) -> None:
    """Save visits and say so line by line; where one cannot be saved, say the sentence's class and go on."""
    with Log(folder) as log:
        recovery_id = log.open_recoveries()[0].id
    for turn in range(count):
        try:
            with Log(folder) as log:
                said = "saved " + " ".join(save_one(log, recovery_id, turn))
        except TurnblueError as error:
            said = f"refused {error.code}"
        # By writev, so that a fault planted in write and pwrite64 does not hit the acknowledgement.
        os.writev(1, [said.encode(), b"\n"])


def run_saver(folder: Path, count: int, *before: str) -> subprocess.Popen[str]:
    """Start the saver, behind another program's command line where one is given."""
    return subprocess.Popen(
        [*before, sys.executable, "-m", "tests.crashes", "saver", str(folder), str(count)],
        cwd=ROOT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
    )  # fmt: skip


def acknowledged_in(lines: list[str]) -> list[tuple[str, str]]:
    """Return the saves that lines of the saver acknowledge; the last may be torn."""
    found = [re.fullmatch(r"saved (v-\w{12}) ([0-9a-f]{64})", line) for line in lines]
    return [(each[1], each[2]) for each in found if each]


def check(folder: Path, acknowledged: list[tuple[str, str]], tally: Tally, where: str) -> None:
    """Open the log, look for every acknowledged save, verify, mend, and verify again."""
    tally.tried += 1
    tally.acknowledged += len(acknowledged)
    later = datetime.now(UTC) + timedelta(days=1)
    with Log(folder) as log:
        visits = {visit.id: visit for each in log.open_recoveries() for visit in each.visits}
        for visit_id, sha256 in acknowledged:
            if visit_id not in visits or visits[visit_id].photo_sha256s != (sha256,):
                tally.wrong.append(f"{where}: {visit_id} lost")
            elif log.photo_bytes(sha256)[:14] != visit_id.encode():
                tally.wrong.append(f"{where}: {visit_id}'s photo is another")
        for each in archive.verify(log, now=later, mend=True).findings:
            tally.mended[each.kind] = tally.mended.get(each.kind, 0) + 1
            if not each.mended or each.kind not in ("file_unfinished", "photo_unnoted"):
                tally.wrong.append(f"{where}: {each.say}")
        again = archive.verify(log, now=later)
        tally.wrong += [f"{where}, after mending: {each.say}" for each in again.findings]


def kill_saves(folder: Path, saves: int, seed: int = 3) -> Tally:
    """Kill the saver at random moments until so many saves are acknowledged; check the log after each."""
    make_log(folder)
    rng, tally = random.Random(seed), Tally()
    acknowledged: list[tuple[str, str]] = []
    while len(acknowledged) < saves:
        program = run_saver(folder, 10_000)
        assert program.stdout is not None
        lines = [program.stdout.readline().strip()]
        time.sleep(rng.uniform(0.0, 0.8))
        program.kill()
        lines += program.communicate()[0].splitlines()
        acknowledged += acknowledged_in(lines)
        if not lines[0]:
            tally.wrong.append("the saver did not start")
            break
        check(folder, acknowledged, tally, f"kill {tally.tried}")
    tally.acknowledged = len(acknowledged)
    return tally


def disk_full(folder: Path, saves: int, *, every: int = 7, first: int = 40) -> Tally:
    """Let every so-many-th write or sync of the saver fail for want of space, so that each of a save's is hit."""
    make_log(folder)
    inject = f"inject=write,pwrite64,fsync,fdatasync:error=ENOSPC:when={first}+{every}"
    program = run_saver(folder, saves, "strace", "-qq", "-o", os.devnull, "-e", inject)
    printed, complaint = program.communicate()
    tally = Tally()
    lines = printed.splitlines()
    refused = [line for line in lines if line.startswith("refused ")]
    if program.returncode or len(lines) != saves or not refused:
        tally.wrong.append(f"the saver ended by {program.returncode}, {len(refused)} refused: {complaint[-300:]}")
    check(folder, acknowledged_in(lines), tally, "disk full")
    tally.tried = len(refused)
    return tally


# Power cuts


@dataclass
class Inode:
    """A file: what programs see of it, what the disk has for certain, and what was written since the last sync."""

    seen: bytearray = field(default_factory=bytearray)
    synced: bytes = b""
    pending: list[tuple[int, bytes]] = field(default_factory=list)

    def write(self, at: int, content: bytes) -> None:
        """Write at a place; a negative length of nothing is a cut (see `cut`)."""
        if len(self.seen) < at:
            self.seen.extend(bytes(at - len(self.seen)))
        self.seen[at : at + len(content)] = content
        self.pending.append((at, content))

    def cut(self, length: int) -> None:
        """Cut the file to a length; the disk may or may not have done it."""
        del self.seen[length:]
        self.pending.append((-1 - length, b""))

    def sync(self) -> None:
        """Bring everything to the disk."""
        self.synced, self.pending = bytes(self.seen), []

    def after_cut(self, rng: random.Random | None) -> bytes:
        """Return what the disk has after a power cut: of what was not synced nothing, or what chance chooses."""
        left = Inode(bytearray(self.synced))
        for at, content in self.pending if rng is not None else []:
            assert rng is not None
            if at < 0:
                if rng.random() < 0.5:
                    left.cut(-1 - at)
                continue
            for start in range(0, len(content), PAGE_BYTES):
                if rng.random() < 0.5:
                    left.write(at + start, content[start : start + PAGE_BYTES])
        return bytes(left.seen)


class Disk:
    """Plays recorded system calls again on files that know what was synced."""

    def __init__(self, root: Path) -> None:
        self.root = str(root)
        self.names: dict[str, Inode | None] = {self.root: None}
        self.synced_names: dict[str, Inode | None] = {self.root: None}
        self.open: dict[int, tuple[str, Inode | None, int]] = {}
        self.unseen: set[str] = set()
        self.acknowledged: list[str] = []

    def load(self) -> None:
        """Take what is there already as synced."""
        for folder, _folders, files in os.walk(self.root):
            self.names[folder] = self.synced_names[folder] = None
            for name in files:
                path, content = os.path.join(folder, name), Path(folder, name).read_bytes()
                self.names[path] = self.synced_names[path] = Inode(bytearray(content), content)

    def play(self, call: str, arguments: list[str], result: int) -> bool:
        """Play one call; return whether it was one that may change what a power cut leaves."""
        if result < 0:
            return False
        if call == "openat":
            return self._open(_text(arguments[1]), arguments[2], result)
        if call == "close":
            self.open.pop(int(arguments[0]), None)
            return False
        if call == "writev":
            said = b"".join(_bytes(each) for each in re.findall(r'iov_base="((?:\\x[0-9a-f]{2})*)"', arguments[1]))
            self.acknowledged.append(said.decode().strip())
            return False
        if call in ("rename", "unlink", "mkdir"):
            return self._name(call, [_text(each) for each in arguments[:2] if each.startswith('"')])
        if int(arguments[0]) not in self.open:
            return False
        return self._file(call, arguments, result)

    def _open(self, path: str, how: str, handle: int) -> bool:
        if not path.startswith(self.root):
            self.open.pop(handle, None)
            return False
        made = "O_CREAT" in how and path not in self.names
        if made:
            self.names[path] = Inode()
        inode = self.names.get(path)
        if inode is not None and "O_TRUNC" in how and not made:
            inode.cut(0)
        self.open[handle] = (path, inode, 0)
        return made

    def _name(self, call: str, paths: list[str]) -> bool:
        if not paths[0].startswith(self.root):
            return False
        if call == "rename":
            self.names[paths[1]] = self.names.pop(paths[0])
        elif call == "mkdir":
            self.names[paths[0]] = None
        else:
            self.names.pop(paths[0], None)
        return True

    def _file(self, call: str, arguments: list[str], result: int) -> bool:
        path, inode, place = self.open[int(arguments[0])]
        if call in ("fsync", "fdatasync"):
            if inode is not None:
                inode.sync()
            else:
                inside = {each for each in {*self.names, *self.synced_names} if os.path.dirname(each) == path}
                for each in inside:
                    if each in self.names:
                        self.synced_names[each] = self.names[each]
                    else:
                        self.synced_names.pop(each, None)
            return True
        if inode is None:
            return False
        if call == "lseek":
            self.open[int(arguments[0])] = (path, inode, result)
            return False
        if call == "ftruncate":
            inode.cut(int(arguments[1]))
        elif call == "pwrite64":
            inode.write(int(arguments[3]), _bytes(arguments[1].strip('"'))[:result])
        elif call == "write":
            inode.write(place, _bytes(arguments[1].strip('"'))[:result])
            self.open[int(arguments[0])] = (path, inode, place + result)
        return True

    def leave(self, target: Path, rng: random.Random | None) -> None:
        """Write into `target` what the disk has after a power cut now."""
        names = dict(self.synced_names)
        if rng is not None:
            for path in {*self.names, *self.synced_names}:
                if self.names.get(path, ...) != self.synced_names.get(path, ...) and rng.random() < 0.5:
                    if path in self.names:
                        names[path] = self.names[path]
                    else:
                        names.pop(path)
        for path in sorted(names):
            # Of the database's shared memory nothing is on disk; a file whose folder was lost is lost with it.
            if path.endswith("-shm") or any(up not in names for up in _above(path, self.root)):
                continue
            inode, new = names[path], target / os.path.relpath(path, self.root)
            if inode is None:
                new.mkdir(exist_ok=True)
            else:
                new.write_bytes(inode.after_cut(rng))


def _above(path: str, root: str) -> Iterator[str]:
    while path != root:
        path = os.path.dirname(path)
        yield path


def _bytes(escaped: str) -> bytes:
    return bytes.fromhex(escaped.replace("\\x", ""))


def _text(quoted: str) -> str:
    return _bytes(quoted.strip('"')).decode()


RECORDED = "openat,close,write,pwrite64,writev,lseek,ftruncate,fsync,fdatasync,rename,unlink,mkdir"
CALL = re.compile(r"^(\w+)\((.*)\)\s+= (-?\d+)")


def recorded(path: Path) -> Iterator[tuple[str, list[str], int]]:
    """Give the calls of a record: name, arguments as strace wrote them, result."""
    with path.open() as lines:
        for line in lines:
            found = CALL.match(line)
            if found:
                yield found[1], found[2].split(", "), int(found[3])


def can_trace() -> bool:
    """Tell whether strace is there and may be used."""
    if shutil.which("strace") is None:
        return False
    return subprocess.run(["strace", "-qq", "-o", os.devnull, "true"], capture_output=True).returncode == 0


def power_cuts(folder: Path, saves: int, cuts: int, *, seed: int = 5, deaf: bool = False) -> Tally:
    """Record a saver, then cut the power after so many of its calls, chosen by chance; check what is left each time.

    A `deaf` disk passes over every request to sync: then saves must be lost, or the simulation sees nothing.
    """
    home, record = folder / "home", folder / "record"
    make_log(home)
    disk = Disk(home)
    disk.load()
    program = run_saver(
        home, saves, "strace", "-qq", "-xx", "-s", "10000000", "-o", str(record), "-e", f"trace={RECORDED}"
    )
    complaint = program.communicate()[1]
    tally = Tally()
    if program.returncode:
        tally.wrong.append(f"the saver ended by {program.returncode}: {complaint[-300:]}")
        return tally
    calls = list(recorded(record))
    inside = [
        number
        for number, (name, _, _) in enumerate(calls)
        if name in ("pwrite64", "write", "fsync", "rename", "fdatasync")
    ]
    rng = random.Random(seed)
    chosen = set(rng.sample(inside, min(cuts, len(inside))))
    for number, call in enumerate(calls):
        if not (deaf and call[0] in ("fsync", "fdatasync")):
            disk.play(*call)
        if number in chosen:
            for name, chance in (("nothing unsynced kept", None), ("part kept", random.Random(number))):
                left = folder / f"cut-{number}-{chance is not None}"
                left.mkdir()
                disk.leave(left, chance)
                try:
                    check(left, acknowledged_in(disk.acknowledged), tally, f"cut after call {number}, {name}")
                except TurnblueError as error:
                    tally.wrong.append(f"cut after call {number}, {name}: {error}")
                shutil.rmtree(left)
    if len(acknowledged_in(disk.acknowledged)) != saves:
        tally.wrong.append(f"only {len(disk.acknowledged)} of {saves} saves were recorded")
    return tally


def main() -> None:
    """Run everything and print the figures."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--saves", type=int, default=1000)
    asked.add_argument("--cuts", type=int, default=400)
    told = asked.parse_args()
    wrong = False
    with tempfile.TemporaryDirectory() as folder:
        tally = kill_saves(Path(folder, "killed"), told.saves)
        print(f"kill -9: {tally}", flush=True)
        wrong |= bool(tally.wrong)
        if not can_trace():
            print("power cuts and full disk: not tried, strace is missing or may not be used")
        else:
            for every in (11, 17, 29, 37, 61, 89, 151):
                tally = disk_full(Path(folder, f"full-{every}"), 100, every=every)
                print(f"disk full at every {every}th write or sync: {tally}", flush=True)
                wrong |= bool(tally.wrong)
            Path(folder, "cut").mkdir()
            tally = power_cuts(Path(folder, "cut"), 60, told.cuts)
            print(f"power cuts: {tally}", flush=True)
            wrong |= bool(tally.wrong)
    sys.exit(wrong)


if __name__ == "__main__":
    if sys.argv[1:2] == ["saver"]:
        saver(Path(sys.argv[2]), int(sys.argv[3]))
    else:
        main()
