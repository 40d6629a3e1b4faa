"""Running the user's command on an alarm, without a shell and without ever waiting for it."""

from __future__ import annotations

import contextlib
import json
import os
import queue
import shlex
import shutil
import signal
import subprocess
import threading
import time
from typing import Any, Final

from noisecheck.core.errors import InputError, one_line

__all__ = ["AlarmCommand"]

_AT_ONCE: Final = 4


class AlarmCommand:
    """A command run for each alarm, the alarm as one JSON document on its standard input.

    Args:
        command: program and arguments as typed (quotes group words; no shell: no pipes, no variables).
        timeout_s: after so long a command is ended.

    Raises:
        InputError: no such program.
    """

    def __init__(self, command: str, *, timeout_s: float = 30.0) -> None:
        try:
            self._words = shlex.split(command)
        except ValueError as error:
            raise InputError(f"--on-alarm {one_line(command)}: not a command ({error})") from error
        if not self._words or shutil.which(self._words[0]) is None:
            name = self._words[0] if self._words else ""
            raise InputError(f"--on-alarm: no such program '{one_line(name)}' (it is run without a shell)")
        self._timeout_s = timeout_s
        self._said: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._running: list[threading.Thread] = []
        self._processes: list[subprocess.Popen[bytes]] = []
        self._ended: list[subprocess.Popen[bytes]] = []

    def run(self, alarm: dict[str, Any]) -> bool:
        """Begin the command for an alarm and return at once; False when too many still run."""
        self._running = [t for t in self._running if t.is_alive()]
        if not self._running:
            self._processes.clear()
        if len(self._running) >= _AT_ONCE:
            self._said.put(f"the alarm command was not run: {_AT_ONCE} earlier ones have not ended yet")
            return False
        document = (json.dumps(alarm, ensure_ascii=False) + "\n").encode()
        thread = threading.Thread(target=self._work, args=(document,), daemon=True)
        thread.start()
        self._running.append(thread)
        return True

    def _work(self, document: bytes) -> None:
        try:
            process = subprocess.Popen(
                self._words,
                stdin=subprocess.PIPE,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                start_new_session=os.name == "posix",  # Ctrl-C at the watch is none of its business
            )
        except OSError as error:
            self._said.put(f"the alarm command could not be run: {error.strerror or error}")
            return
        self._processes.append(process)
        try:
            process.communicate(document, timeout=self._timeout_s)
        except subprocess.TimeoutExpired:
            _end(process)
            self._said.put(f"the alarm command did not end within {self._timeout_s:g} s and was ended")
            return
        if process.returncode > 0:
            self._said.put(f"the alarm command ended with code {process.returncode}")
        elif process.returncode < 0 and process not in self._ended:
            self._said.put(f"the alarm command was ended by signal {-process.returncode}")

    def trouble(self) -> list[str]:
        """Return a sentence for each command that could not be run, failed or hung since this was asked last."""
        said = []
        with contextlib.suppress(queue.Empty):
            while True:
                said.append(self._said.get_nowait())
        return said

    def wait(self, seconds: float) -> None:
        """Give commands still running so long to end, all together; then end them."""
        until = time.monotonic() + seconds
        for thread in self._running:
            thread.join(max(until - time.monotonic(), 0.0))
        for _ in range(10):  # one may only be about to begin
            for process in [p for p in self._processes if p.poll() is None]:
                self._ended.append(process)
                _end(process)
                self._said.put(f"the alarm command had not ended {seconds:g} s after the watch, and was ended")
            for thread in self._running:
                thread.join(0.1)
            if not any(t.is_alive() for t in self._running):
                break


def _end(process: subprocess.Popen[bytes]) -> None:
    """End a command, with whatever it started: the group is its own."""
    if os.name == "posix":
        with contextlib.suppress(ProcessLookupError):
            os.killpg(process.pid, signal.SIGKILL)
    else:
        process.kill()
    process.wait()
