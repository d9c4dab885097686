"""A file descriptor that is readable while something is there to be read, for event loops that wait on many."""

from __future__ import annotations

import os


class Bell:
    """A pipe with at most one byte in it; whoever uses it holds the lock of what it stands for."""

    def __init__(self) -> None:
        self._read, self._write = os.pipe()
        self._ringing = False

    def fileno(self) -> int:
        """The end to wait on."""
        return self._read

    def ring(self) -> None:
        """Something is there."""
        if not self._ringing:
            self._ringing = True
            os.write(self._write, b"!")

    def hush(self) -> None:
        """Nothing is there any more."""
        if self._ringing:
            self._ringing = False
            os.read(self._read, 1)

    def close(self) -> None:
        """Give both ends back."""
        os.close(self._read)
        os.close(self._write)
