"""The command `ridgeline` as a person runs it: its output and its exit code.

`run` and `Running` start a real process. `call` calls `main` in this one, which is the same code without the second
that a start takes: for the many kinds of bad input.
"""

from __future__ import annotations

import contextlib
import io
import os
import select
import signal
import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path

from service.__main__ import main

ROOT = Path(__file__).resolve().parents[2]
PROGRAM = [sys.executable, "-m", "service"]


def environment(data: Path, **more: str) -> dict[str, str]:
    """An installation of its own in `data`; nothing of the machine's own settings but the path."""
    kept = {name: os.environ[name] for name in ("PATH", "TZ") if name in os.environ}
    return {**kept, "HOME": str(data), "RIDGELINE_DATA": str(data), "PYTHONWARNINGS": "error", **more}


def run(
    *arguments: str | Path, env: Mapping[str, str], stdin: str | None = None, seconds: float = 120
) -> subprocess.CompletedProcess[str]:
    """Run to the end."""
    return subprocess.run(
        [*PROGRAM, *map(str, arguments)],
        cwd=ROOT,
        env=dict(env),
        input=stdin,
        capture_output=True,
        text=True,
        timeout=seconds,
    )


def call(*arguments: str | Path, env: Mapping[str, str]) -> subprocess.CompletedProcess[str]:
    """Run to the end in this process, with `env` as its whole environment."""
    before, on_term = dict(os.environ), signal.getsignal(signal.SIGTERM)
    out, err = (io.TextIOWrapper(io.BytesIO(), "utf-8", write_through=True) for _ in range(2))
    os.environ.clear()
    os.environ.update(env)
    try:
        with contextlib.chdir(ROOT), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code = main([str(argument) for argument in arguments])
    finally:
        os.environ.clear()
        os.environ.update(before)
        signal.signal(signal.SIGTERM, on_term)
    said, complained = (stream.buffer.getvalue().decode() for stream in (out, err))  # type: ignore[attr-defined]
    return subprocess.CompletedProcess(arguments, code, said, complained)


class Running:
    """A command that goes on until it is told to stop."""

    def __init__(self, *arguments: str | Path, env: Mapping[str, str]) -> None:
        self._process = subprocess.Popen(
            [*PROGRAM, *map(str, arguments)],
            cwd=ROOT,
            env=dict(env),
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )
        self.said = ""

    def __enter__(self) -> Running:
        return self

    def __exit__(self, *_: object) -> None:
        if self._process.poll() is None:
            self._process.kill()
        self._process.communicate()

    def wait_for(self, words: str, seconds: float = 90, times: int = 1) -> str:
        """Everything said so far, once it holds `words`."""
        stream = self._process.stdout
        assert stream is not None
        until = time.monotonic() + seconds
        while self.said.count(words) < times:
            left = until - time.monotonic()
            assert left > 0, f"{words!r} was not said in {seconds} s; said so far:\n{self.said}"
            if select.select([stream], [], [], min(left, 1))[0]:
                chunk = os.read(stream.fileno(), 65536)
                assert chunk, f"it ended without saying {words!r}; said:\n{self.said}"
                self.said += chunk.decode()
        return self.said

    def stop(self, how: signal.Signals = signal.SIGINT, seconds: float = 60) -> int:
        """Its exit code after a signal; what it said last is in `said`."""
        self._process.send_signal(how)
        rest, _ = self._process.communicate(timeout=seconds)
        self.said += rest.decode()
        return self._process.returncode
