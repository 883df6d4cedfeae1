"""A disk that may lose whatever was not synced: built from the calls, cut anywhere.

The rules are those that POSIX leaves, not those of one file system. What was written since a file's last
sync is there or not, each write for itself, in any order and in part by sectors; its length apart from its
bytes. A name (made, renamed, taken away) is there for sure only when its folder was synced since. What is
synced stays. A sync that fails takes what it was about with it, and the next one says nothing of that: so do
systems that drop what they could not write (Linux, since 2018 known as "fsyncgate").
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path, PurePosixPath
from random import Random
from typing import Literal

from tests.torture.power.calls import SYNCS, Call

Style = Literal["lost", "all", "names", "some", "torn", "sizes"]
STYLES: tuple[Style, ...] = ("lost", "all", "names", "some", "torn", "sizes")
"""Of what was not synced: nothing; all; names but no bytes; some writes; some sectors; lengths, few bytes."""

SECTORS = (512, 4096)

_SHARES: Mapping[Style, tuple[float, float]] = {
    "lost": (0.0, 0.0),
    "all": (1.0, 1.0),
    "names": (1.0, 0.0),
}
_ANY = (0.1, 0.5, 0.9)

ROOT = 0
"""The node of the folder that all lies below."""

Entry = tuple[int, str]
"""A name in a folder, which is told by its node."""


@dataclass(frozen=True, slots=True)
class Piece:
    """A write, or (``data`` None) a new length."""

    offset: int
    data: bytes | None
    ended: int


@dataclass(slots=True)
class File:
    """A file, whatever it is called."""

    safe: bytearray = field(default_factory=bytearray)
    pending: list[Piece] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Names:
    """A change of names, all of it or nothing; None takes a name away."""

    sets: tuple[tuple[Entry, int | None], ...]
    ended: int


class Medium:
    """The disk below a folder, fed with calls in order."""

    def __init__(self, root: Path, *, syncs: bool = True) -> None:
        self._root = PurePosixPath(root)
        self._syncs = syncs
        self._nodes: list[File | None] = [None]  # None: a folder
        self._safe_names: dict[Entry, int] = {}
        self._names: dict[Entry, int] = {}
        self._pending_names: list[Names] = []
        self._open: dict[int, tuple[str, int]] = {}  # by descriptor: name, node
        self._at: dict[int, int] = {}

    def image(self, style: Style, rng: Random) -> dict[str, bytes]:
        """Give files by path that a power cut now could leave."""
        # Share of the names and of the bytes that came through.
        named, share = _SHARES.get(style) or (rng.choice(_ANY), rng.choice(_ANY))
        names = dict(self._safe_names)
        for change in self._pending_names:
            if rng.random() < named:
                _rename(names, change)
        return {
            path: _content(file, style, share, rng)
            for path, file in self._below(ROOT, "", names)
        }

    def feed(self, call: Call) -> bool:
        """Take in a call; say whether it changed what a power cut may leave."""
        if call.name in _UNKNOWN:
            self._refuse(call)
        do = _DO.get(call.name)
        return do is not None and do(self, call)

    @staticmethod
    def order(call: Call) -> int:
        """Give the place from which a call counts: a sync or an open from its end, all else at once."""
        at_end = (*SYNCS, "openat", "mkdir")
        return call.ended if call.name in at_end else call.began

    def _below(
        self, folder: int, path: str, names: Mapping[Entry, int]
    ) -> Iterator[tuple[str, File]]:
        """Give the files below a folder with their paths."""
        for (inside, name), node in names.items():
            if inside != folder:
                continue
            file = self._nodes[node]
            if file is None:
                yield from self._below(node, f"{path}{name}/", names)
            else:
                yield f"{path}{name}", file

    def _entry(self, path: bytes) -> Entry | None:
        """Give the place of a path in its folder, None for one that is not below the root."""
        whole = PurePosixPath(path.decode())
        if not whole.is_relative_to(self._root) or whole == self._root:
            return None
        *folders, name = whole.relative_to(self._root).parts
        node = ROOT
        for folder in folders:
            node = self._names[node, folder]
        return node, name

    def _make(self, call: Call, entry: Entry, node: File | None) -> bool:
        self._nodes.append(node)
        return self._change(call, (entry, len(self._nodes) - 1))

    def _change(self, call: Call, *sets: tuple[Entry, int | None]) -> bool:
        change = Names(sets, call.ended)
        _rename(self._names, change)
        self._pending_names.append(change)
        return True

    def _openat(self, call: Call) -> bool:
        entry = self._entry(call.strings[0])
        if entry is None:
            if PurePosixPath(call.strings[0].decode()) == self._root:
                self._open[call.result] = ("", ROOT)
            return False
        changed = False
        if entry not in self._names and "O_CREAT" in call.args:
            changed = self._make(call, entry, File())
        if entry not in self._names:  # a file without a name, which nobody will find
            return False
        node = self._names[entry]
        file = self._nodes[node]
        self._open[call.result] = (entry[1], node)
        self._at[call.result] = 0
        assert "O_APPEND" not in call.args or entry[1].endswith(".lock"), "it is appended to"
        if "O_TRUNC" in call.args and file is not None:
            file.pending.append(Piece(0, None, call.ended))
            changed = True
        return changed

    def _close(self, call: Call) -> bool:
        self._open.pop(call.handle, None)
        return False

    def _pwrite64(self, call: Call) -> bool:
        return self._put(call, call.numbers[-1])

    def _write(self, call: Call) -> bool:
        at = self._at.get(call.handle, 0)
        self._at[call.handle] = at + call.result
        return self._put(call, at)

    def _put(self, call: Call, offset: int) -> bool:
        file = self._file(call)
        if file is None or not call.result:
            return False
        file.pending.append(Piece(offset, call.data, call.ended))
        return True

    def _lseek(self, call: Call) -> bool:
        self._at[call.handle] = call.result
        return False

    def _ftruncate(self, call: Call) -> bool:
        file = self._file(call)
        if file is None:
            return False
        file.pending.append(Piece(call.numbers[-1], None, call.ended))
        return True

    def _file(self, call: Call) -> File | None:
        name, node = self._open.get(call.handle, ("", ROOT))
        return None if name.endswith("-shm") else self._nodes[node]

    def _fsync(self, call: Call) -> bool:
        if call.handle not in self._open or not self._syncs:
            return False
        node = self._open[call.handle][1]
        file = self._nodes[node]
        if file is None:
            return self._sync_folder(node, call)
        done = [piece for piece in file.pending if piece.ended < call.began]
        file.pending = [piece for piece in file.pending if piece.ended >= call.began]
        for piece in done if call.result == 0 else ():
            _apply(file.safe, piece)
        return bool(done)

    def _sync_folder(self, node: int, call: Call) -> bool:
        done = [
            change
            for change in self._pending_names
            if change.ended < call.began and any(entry[0] == node for entry, _ in change.sets)
        ]
        for change in done if call.result == 0 else ():
            _rename(self._safe_names, change)
            self._pending_names.remove(change)
        return bool(done)

    def _rename(self, call: Call) -> bool:
        old, new = (self._entry(path) for path in call.strings)
        if old is None or new is None:
            return False
        return self._change(call, (old, None), (new, self._names[old]))

    def _link(self, call: Call) -> bool:
        old, new = (self._entry(path) for path in call.strings)
        return (
            old is not None and new is not None and self._change(call, (new, self._names[old]))
        )

    def _unlink(self, call: Call) -> bool:
        entry = self._entry(call.strings[0])
        return entry is not None and self._change(call, (entry, None))

    def _mkdir(self, call: Call) -> bool:
        entry = self._entry(call.strings[0])
        return entry is not None and self._make(call, entry, None)

    def _refuse(self, call: Call) -> None:
        touched = call.handle in self._open or any(
            self._entry(one) is not None for one in call.strings if one.startswith(b"/")
        )
        assert not touched, f"this disk does not know {call.name}({call.args[:200]})"


def _rename(names: dict[Entry, int], change: Names) -> None:
    for entry, node in change.sets:
        if node is None:
            names.pop(entry, None)
        else:
            names[entry] = node


def _apply(content: bytearray, piece: Piece) -> None:
    if piece.data is None:
        del content[piece.offset :]
        content.extend(bytes(piece.offset - len(content)))
        return
    content.extend(bytes(max(0, piece.offset - len(content))))
    content[piece.offset : piece.offset + len(piece.data)] = piece.data


def _content(file: File, style: Style, share: float, rng: Random) -> bytes:
    content = bytearray(file.safe)
    for piece in file.pending:
        if style == "sizes":
            _grow(content, piece, rng)
        for part in _torn(piece, rng) if style == "torn" else (piece,):
            if rng.random() < share:
                _apply(content, part)
    return bytes(content)


def _grow(content: bytearray, piece: Piece, rng: Random) -> None:
    """Make the file as long as it became, with what happens to lie there: nothing, or anything."""
    missing = piece.offset + len(piece.data or b"") - len(content)
    if missing > 0:
        content.extend(rng.randbytes(missing) if rng.random() < 0.5 else bytes(missing))


def _torn(piece: Piece, rng: Random) -> Sequence[Piece]:
    return (piece,) if piece.data is None else tuple(_sectors(piece, rng.choice(SECTORS)))


def _sectors(piece: Piece, sector: int) -> Iterator[Piece]:
    data = piece.data or b""
    start = 0
    while start < len(data):
        end = min(len(data), start + sector - (piece.offset + start) % sector)
        yield Piece(piece.offset + start, data[start:end], piece.ended)
        start = end


_DO = {
    "openat": Medium._openat,
    "close": Medium._close,
    "pwrite64": Medium._pwrite64,
    "write": Medium._write,
    "lseek": Medium._lseek,
    "ftruncate": Medium._ftruncate,
    "fsync": Medium._fsync,
    "fdatasync": Medium._fsync,
    "rename": Medium._rename,
    "link": Medium._link,
    "rmdir": Medium._unlink,
    "unlink": Medium._unlink,
    "mkdir": Medium._mkdir,
}

_UNKNOWN = (
    "open", "creat", "dup", "dup2", "dup3", "pwritev", "pwritev2", "writev", "truncate", "fallocate",
    "sync_file_range", "copy_file_range", "sendfile", "renameat", "renameat2", "unlinkat", "mkdirat",
    "linkat", "symlink", "symlinkat",
)  # fmt: skip
"""Calls that nothing here makes below the root; one that does is an error of this model."""
