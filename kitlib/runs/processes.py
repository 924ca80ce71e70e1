"""What a process of the run does so that none outlives it."""

import ctypes
import signal

_DIE_WITH_PARENT = 1  # PR_SET_PDEATHSIG of linux/prctl.h


def die_with_parent() -> None:
    """Have the system end this process as soon as its parent has ended (Linux)."""
    ctypes.CDLL(None).prctl(_DIE_WITH_PARENT, signal.SIGKILL)
