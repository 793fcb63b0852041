"""One writer at a time of a table on disk, whichever program or thread it is."""

import os
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

NAME = ".writing"
_AGAIN_S = 0.05  # between two tries where the system cannot wait by itself

if sys.platform == "win32":
    import msvcrt

    def _take(file: int) -> None:
        while True:
            try:
                msvcrt.locking(file, msvcrt.LK_NBLCK, 1)
            except OSError:
                time.sleep(_AGAIN_S)
            else:
                return
else:
    import fcntl

    def _take(file: int) -> None:
        fcntl.flock(file, fcntl.LOCK_EX)


@contextmanager
def alone(folder: Path) -> Iterator[None]:
    """Wait until nobody else writes below a folder, and keep others waiting to the end of the block.

    Parameters: folder, made where it is not there; the file NAME lies in it for as long as somebody writes. What a program that
    broke off held, the system gives back.
    """
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    path = folder / NAME
    file = _held(path)
    try:
        yield
    finally:
        with suppress(OSError):  # where a file that is open cannot be taken away it stays, and is taken again
            path.unlink()
        os.close(file)


def _held(path: Path) -> int:
    """The file, taken; one that its last holder took away meanwhile is not the one that others see, and is left."""
    while True:
        file = os.open(path, os.O_RDWR | os.O_CREAT, 0o600)
        try:
            _take(file)
            if os.path.samestat(os.fstat(file), path.stat()):
                return file
        except FileNotFoundError:
            pass
        except BaseException:
            os.close(file)
            raise
        os.close(file)
