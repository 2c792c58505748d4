"""What a decoding process gives up before it touches a file, and the words it shares with its parent."""

import ctypes
import os
import pwd
import resource
import signal
import sys

#: What tells the parent that a later death is the file's doing.
READY = "ready"
#: The code for a read error, which is the storage's fault and no AudioError.
STORAGE_FAILED = "storage_failed"

_MEMORY_BYTES = 2**30
#: Behind whoever answers people; `nice` of POSIX, where 0 is the usual and 19 the most willing to wait.
_NICENESS = 10
#: Standard input, output and error are open; no file and no socket can be opened beside them.
_OPEN_FILES = 3
#: From linux/prctl.h.
_PR_SET_PDEATHSIG, _PR_SET_NO_NEW_PRIVS = 1, 38


def lock_in(*, cpu_s: int) -> None:
    """Give up, for good, whatever decoding does not need. Call it when everything is imported.

    Elsewhere than on Linux there is no prctl, and a limit that the system does not know is left out: the wall
    clock, the processor limit and the block-wise decoding still hold there.
    """
    os.nice(_NICENESS)
    nobody = _nobody()
    prctl = ctypes.CDLL(None, use_errno=True).prctl if sys.platform == "linux" else None

    for name, soft, hard in (
        ("RLIMIT_AS", _MEMORY_BYTES, _MEMORY_BYTES),
        ("RLIMIT_CPU", cpu_s, cpu_s + 1),  # A signal at the first, the end at the second.
        ("RLIMIT_FSIZE", 0, 0),
        ("RLIMIT_CORE", 0, 0),
        ("RLIMIT_NOFILE", _OPEN_FILES, _OPEN_FILES),
    ):
        _limit(name, soft, hard)
    if nobody is not None:
        os.setgroups([])
        os.setgid(nobody[1])
        os.setuid(nobody[0])
    # Last, because it does not bind root, and because it would stop a change of user on some systems.
    _limit("RLIMIT_NPROC", 0, 0)
    if prctl is not None:
        # After the change of user, which clears the first.
        prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
        if prctl(_PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0) != 0:
            raise OSError(ctypes.get_errno(), "cannot give up the gaining of privileges")


def _nobody() -> tuple[int, int] | None:
    """User and group to become when we are root; None where we are not, or where there is no such user."""
    if os.geteuid() != 0:
        return None
    try:
        entry = pwd.getpwnam("nobody")
    except KeyError:
        return None
    return entry.pw_uid, entry.pw_gid


def _limit(name: str, soft: int, hard: int) -> None:
    which = getattr(resource, name, None)
    if which is None:
        return
    already = resource.getrlimit(which)[1]
    if already != resource.RLIM_INFINITY:
        soft, hard = min(soft, already), min(hard, already)
    try:
        resource.setrlimit(which, (soft, hard))
    except (ValueError, OSError):
        if sys.platform == "linux":
            raise
