"""Being asked to end: what a system sends when it shuts down or a terminal is closed ends a run as Ctrl-C does."""

import contextlib
import os
import signal
import threading
import time
from collections.abc import Iterator

ASKED = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]
LOOK_S = 0.5


@contextlib.contextmanager
def ends_cleanly() -> Iterator[None]:
    """During the `with`, a request to end raises KeyboardInterrupt, so that what is half done is cleared away."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.getsignal(number) for number in ASKED}

    def stop(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    try:
        for number in ASKED:
            signal.signal(number, stop)
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def end_with_parent() -> None:
    """For a worker: Ctrl-C is left to the process that started it, and when that is gone this one ends too."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    for number in ASKED:
        signal.signal(number, signal.SIG_DFL)
    parent = os.getppid()

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(LOOK_S)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
