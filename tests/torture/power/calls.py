"""What a process asked of the system, in order: strace runs it, this reads what strace wrote.

Entry and end of a call are told apart: a write may be on its way to the disk from its entry on, while what is
synced is so only from the end of the sync on.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

WATCHED = (
    "openat,open,creat,close,dup,dup2,dup3,pwrite64,pwritev,pwritev2,write,writev,lseek,ftruncate,truncate,"
    "fallocate,fsync,fdatasync,sync_file_range,copy_file_range,sendfile,rename,renameat,renameat2,"
    "unlink,unlinkat,mkdir,mkdirat,rmdir,link,linkat,symlink,symlinkat,recvfrom,recvmsg,sendto,sendmsg"
)
"""Calls that change files or their names, and those that talk to the broker and to who is told.

Memory that is mapped to a file is not watched: only SQLite's index of its log is written that way, and SQLite
makes that anew after a power cut and trusts nothing of it.
"""

SYNCS = ("fsync", "fdatasync")

LONGEST = 1 << 24
"""Longest string that strace writes out [bytes]; a longer one is an error here."""

_WHOLE = re.compile(r"^(\d+) +(\w+)\((.*)\) += (-?\d+|\?)(?:<(.*?)>(?:\(deleted\))?)?(?: .*)?$")
_BEGUN = re.compile(r"^(\d+) +(\w+)\((.*) <unfinished \.\.\.>$")
_ENDED = re.compile(r"^(\d+) +<\.\.\. (\w+) resumed>(.*)$")
_STRING = re.compile(r'"((?:\\x[0-9a-f]{2})*)"(\.\.\.)?')
_HANDLE = re.compile(r"^(-?\d+|AT_FDCWD)(?:<(.*?)>)?(?:\(deleted\))?(?=,|$)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Call:
    """A call; ``began`` and ``ended`` are places in the order of all that was written down."""

    name: str
    began: int
    ended: int
    args: str
    result: int

    @property
    def handle(self) -> int:
        """The descriptor it was about, -1 when it names a path."""
        found = _HANDLE.match(self.args)
        return -1 if found is None or found[1] == "AT_FDCWD" else int(found[1])

    @property
    def peer(self) -> str:
        """What strace calls the descriptor: for a socket both its ends."""
        found = _HANDLE.match(self.args)
        return "" if found is None or found[2] is None else _text(found[2])

    @property
    def strings(self) -> list[bytes]:
        """The strings among its arguments: paths, or data."""
        found = _STRING.findall(self.args)
        assert not any(cut for _, cut in found), f"strace cut {self.name} short"
        return [_bytes(one) for one, _ in found]

    @property
    def data(self) -> bytes:
        """What went over, no more than the system took."""
        return b"".join(self.strings)[: self.result]

    @property
    def numbers(self) -> list[int]:
        """The plain numbers among its arguments, in order."""
        bare = _STRING.sub("", self.args)
        return [int(part) for part in bare.split(", ") if part.lstrip("-").isdigit()]


def traced(trace: Path, *, fault: str = "") -> tuple[str, ...]:
    """Give what comes before a command so that it is written down in ``trace``.

    ``fault``: calls that are to fail without being made, as strace's ``--inject`` takes it, such as
    ``fdatasync:error=EIO:when=3+20`` (each thread's third, and each twentieth after that).
    """
    strace = shutil.which("strace")
    assert strace is not None, "strace is needed: apt-get install strace"
    return (
        *(strace, "-f", "--seccomp-bpf", "-qq", "-yy", "-xx", "-s", str(LONGEST)),
        *("-e", f"trace={WATCHED}", "-e", "signal=none", "-o", str(trace)),
        *(("-e", f"inject={fault}") if fault else ()),
    )


def calls(trace: Path, *, after: int = 0) -> list[Call]:
    """Read a trace in the order in which the calls began, their places counted from ``after``.

    What failed did nothing and is left out, but for syncs: the system may have dropped what they were about.
    """
    found = [call for call in _read(trace, after + 1) if call.result >= 0 or call.name in SYNCS]
    return sorted(found, key=lambda call: call.began)


def failed(trace: Path) -> int:
    """Count the calls that were made to fail."""
    return trace.read_text(encoding="ascii").count("(INJECTED)")


def _read(trace: Path, first: int) -> Iterator[Call]:
    begun: dict[str, tuple[int, str]] = {}
    with trace.open(encoding="ascii") as lines:
        for place, text in enumerate(lines, first):
            line = text.rstrip("\n")
            if (start := _BEGUN.match(line)) is not None:
                begun[start[1]] = (place, f"{start[2]}({start[3]}")
                continue
            began = place
            if (end := _ENDED.match(line)) is not None:
                began, head = begun.pop(end[1])
                line = f"{end[1]} {head}{end[3]}"
            whole = _WHOLE.match(line)
            if whole is not None and whole[4] != "?":
                yield Call(
                    name=whole[2],
                    began=began,
                    ended=place,
                    args=whole[3],
                    result=int(whole[4]),
                )


def _bytes(escaped: str) -> bytes:
    return bytes.fromhex(escaped.replace("\\x", ""))


def _text(escaped: str) -> str:
    """Undo the escapes of a name, where strace has made any."""
    return re.sub(r"\\x([0-9a-f]{2})", lambda one: chr(int(one[1], 16)), escaped)
