"""Run a command as a unit would be run: ``python confined.py JSON COMMAND...``, in namespaces of its own.

The manager itself does not run where tests do. Here the same is asked of the kernel: everything but the
named folders is read-only, /proc shows nothing but its own processes, another user without rights, no new
ones, and the unit's filter of system calls and address families. It imports nothing of the project.
"""

from __future__ import annotations

import ctypes
import errno
import json
import os
import subprocess
import sys
from pathlib import Path

NOBODY = 65_534
ERRNO_ACTION = 0x00050000  # SCMP_ACT_ERRNO of seccomp.h
ALLOW_ACTION = 0x7FFF0000  # SCMP_ACT_ALLOW
EQUAL = 4  # SCMP_CMP_EQ
NO_NEW_PRIVILEGES = 38  # PR_SET_NO_NEW_PRIVS of prctl.h
DROP_BOUNDING = 24  # PR_CAPBSET_DROP


class Compare(ctypes.Structure):
    """``struct scmp_arg_cmp``."""

    _fields_ = (
        ("arg", ctypes.c_uint),
        ("op", ctypes.c_int),
        ("a", ctypes.c_uint64),
        ("b", ctypes.c_uint64),
    )


def mount(*words: str) -> None:
    subprocess.run(["mount", *words], check=True)  # noqa: S603, S607 - util-linux


def shut(writable: list[str]) -> None:
    """Make everything read-only but these folders."""
    for folder in writable:
        mount("--bind", folder, folder)
    points = [line.split()[4] for line in Path("/proc/self/mountinfo").read_text().splitlines()]
    for point in dict.fromkeys(points):
        plain = point.encode().decode("unicode_escape")
        if plain not in writable and not plain.startswith(("/dev", "/proc", "/sys")):
            mount("-o", "remount,bind,ro", plain)
    mount("-t", "proc", "-o", "subset=pid,hidepid=invisible", "proc", "/proc")


def filtered(calls: list[str], families: list[int]) -> None:
    """Let through these system calls, and sockets of these families; the rest is not permitted."""
    library = ctypes.CDLL("libseccomp.so.2", use_errno=True)
    library.seccomp_init.restype = ctypes.c_void_p
    rules = ctypes.c_void_p(library.seccomp_init(ERRNO_ACTION | errno.EPERM))
    for call in calls:
        number = library.seccomp_syscall_resolve_name(call.encode())
        if call != "socket" and number >= 0:  # below: not on this architecture
            assert library.seccomp_rule_add(rules, ALLOW_ACTION, number, 0) == 0, call
    number = library.seccomp_syscall_resolve_name(b"socket")
    for family in families:
        wanted = Compare(0, EQUAL, family, 0)
        added = library.seccomp_rule_add_array(
            rules, ALLOW_ACTION, number, 1, ctypes.byref(wanted)
        )
        assert added == 0, family
    assert library.seccomp_load(rules) == 0


def give_up_rights() -> None:
    libc = ctypes.CDLL(None, use_errno=True)
    for capability in range(64):
        libc.prctl(DROP_BOUNDING, capability, 0, 0, 0)
    os.setgroups([])
    os.setresgid(NOBODY, NOBODY, NOBODY)
    os.setresuid(NOBODY, NOBODY, NOBODY)
    assert libc.prctl(NO_NEW_PRIVILEGES, 1, 0, 0, 0) == 0


def main() -> None:
    how = json.loads(sys.argv[1])
    for folder in how["binds"]:
        mount("--bind", *folder)
    shut(how["writable"])
    os.chdir(how["directory"])
    give_up_rights()
    filtered(how["calls"], how["families"])
    os.execve(sys.argv[2], sys.argv[2:], how["environment"])  # noqa: S606 - what we are for


if __name__ == "__main__":
    main()
