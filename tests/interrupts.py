"""Runs broken off as Ctrl-C at a terminal does."""

import os
import signal
import subprocess
import time
from collections.abc import Callable


def wait_for(condition: Callable[[], object], seconds: float = 120.0) -> None:
    """Wait until a condition holds; fail if it does not within a time."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "waited in vain"
        time.sleep(0.05)


def heed_interrupts() -> None:
    """Take Ctrl-C, even where the tests themselves run in the background."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def break_off(call: list, when: Callable[[], object]) -> None:
    """Start a call, interrupt it once a condition holds, and see it end in words."""
    started = subprocess.Popen(
        call,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
        preexec_fn=heed_interrupts,
    )
    wait_for(when)
    os.killpg(started.pid, signal.SIGINT)
    _, said = started.communicate(timeout=120)
    assert started.returncode == 130, said
    assert said.splitlines()[-1].startswith("interrupted")
    assert "Traceback" not in said
