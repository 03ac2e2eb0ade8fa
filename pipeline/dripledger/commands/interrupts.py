"""Ctrl-C that works while an engine computes.

Python raises KeyboardInterrupt only between two steps of its own. A long query in DuckDB may not come back
to Python for minutes, and does not always look for the signal itself. So a second thread is woken by the
signal, gives the first one a moment to end in good order, and otherwise ends the process. Nothing is lost by
that: the store shows only what was committed, a dead writer's lock is free, and a dead process's spill folder
is emptied by the next one.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator

#: How long the main thread may take to end by itself.
GRACE_S = 2.0

#: When an interrupt that was swallowed is raised again.
_AGAIN_S = 0.01


@contextlib.contextmanager
def prompt_interrupts(give_up: Callable[[], int], grace_s: float = GRACE_S) -> Iterator[None]:
    """End the process soon after Ctrl-C, even where the main thread is deep inside an engine.

    Parameters
    ----------
    give_up
        Called before the process is ended; says so, and returns the exit code.
    grace_s
        Seconds in which the main thread may end by itself.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    ear, mouth = os.pipe()
    os.set_blocking(mouth, False)
    before = signal.set_wakeup_fd(mouth, warn_on_full_buffer=False)
    thread = threading.Thread(target=_listen, args=(ear, give_up, grace_s), daemon=True)
    thread.start()
    try:
        with _swallowed_ones_again():
            yield
    finally:
        signal.set_wakeup_fd(before)
        os.close(mouth)


@contextlib.contextmanager
def _swallowed_ones_again() -> Iterator[None]:
    """Raise an interrupt once more where Python could only print it.

    A signal that comes while Python runs a callback of its own (a weak reference's, a finalizer) is raised
    in there, shown as a traceback and forgotten, and the main thread goes on as if nothing had been asked.
    """
    before = sys.unraisablehook
    main_thread = threading.get_ident()
    under_way: list[threading.Timer] = []

    def hook(unraisable: sys.UnraisableHookArgs) -> None:
        if unraisable.exc_type is KeyboardInterrupt:
            # Later, and from another thread: raised here it would only be swallowed again.
            again = threading.Timer(_AGAIN_S, signal.pthread_kill, (main_thread, signal.SIGINT))
            again.daemon = True
            under_way.append(again)
            again.start()
        else:
            before(unraisable)

    sys.unraisablehook = hook
    try:
        yield
    finally:
        sys.unraisablehook = before
        for again in under_way:
            # The main thread ends already: a signal while Python shuts down would kill it.
            again.cancel()
            again.join()


def _listen(ear: int, give_up: Callable[[], int], grace_s: float) -> None:
    try:
        while heard := os.read(ear, 1):
            if heard[0] == signal.SIGINT:
                time.sleep(grace_s)
                # Closed by then where the main thread ended by itself: there is nothing left to do.
                if _closed(ear):
                    return
                os._exit(give_up())
    finally:
        os.close(ear)


def _closed(ear: int) -> bool:
    """Whether the other end was closed and nothing more can be heard."""
    import select

    while select.select([ear], [], [], 0)[0]:
        # further signals that were heard in the meantime lie before the end
        if os.read(ear, 512) == b"":
            return True
    return False
