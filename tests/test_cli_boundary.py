"""The error boundary: whatever happens below `main` is one line and an exit code."""

from __future__ import annotations

import errno
import os
import subprocess
import sys

import pytest

from cli import exits, main
from cli.words import printable
from refdb.errors import StraygaugeError
from tests.builders_catalogue import ROOT
from tests.test_cli_usage import run


@pytest.mark.parametrize(
    ("problem", "code", "text"),
    [
        (StraygaugeError("a.csv: bad"), 2, "a.csv: bad"),
        (StraygaugeError("a\n\x1b[31m\u202eb\udcff"), 2, r"a\n\x1b[31m\u202eb\udcff"),
        (
            KeyboardInterrupt(),
            130,
            "stopped; what was reported as done is kept, the rest was not begun",
        ),
        (
            MemoryError(),
            2,
            "expected enough memory for this work, found too little; "
            "close other programs, or cut the recording shorter",
        ),
        (
            OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)),
            2,
            "expected the system to do its part, found 'No space left on device'; "
            "check disk and permissions",
        ),
        (
            PermissionError(errno.EACCES, os.strerror(errno.EACCES), "x.csv"),
            2,
            "x.csv: expected a file that can be used, found 'Permission denied'; "
            "check path and permissions",
        ),
        (
            ZeroDivisionError("division by zero"),
            70,
            "a mistake in straygauge itself: ZeroDivisionError: division by zero; "
            "please report it with what STRAYGAUGE_TRACE=1 shows",
        ),
    ],
)
def test_one_line(capsys, monkeypatch, problem, code, text):
    def fails(arguments):
        raise problem

    monkeypatch.delenv("STRAYGAUGE_TRACE", raising=False)
    monkeypatch.setattr(main, "_invoke", fails)
    assert run(capsys, "systems") == (code, "", f"straygauge: {text}\n")


def test_trace_on_demand(monkeypatch):
    def fails(arguments):
        raise ZeroDivisionError

    monkeypatch.setenv("STRAYGAUGE_TRACE", "1")
    monkeypatch.setattr(main, "_invoke", fails)
    with pytest.raises(ZeroDivisionError):
        main.main(["systems"])


def test_reader_gone():
    """`straygauge systems | true`: quiet, whatever the size of the pipe."""
    read, write = os.pipe()
    os.close(read)
    done = subprocess.run(
        [sys.executable, "-m", "cli.main", "systems"],
        cwd=ROOT, stdout=write, stderr=subprocess.PIPE, timeout=60,
    )  # fmt: skip
    os.close(write)
    assert (done.returncode, done.stderr) == (exits.READER_GONE, b"")


def test_narrow_encoding():
    """A terminal that knows ASCII only still gets every letter, escaped."""
    done = subprocess.run(
        [sys.executable, "-m", "cli.main", "systems", "\u00fcmlaut"],
        cwd=ROOT, capture_output=True, timeout=60,
        env={**os.environ, "PYTHONIOENCODING": "ascii:strict"},
    )  # fmt: skip
    assert done.returncode == 2
    assert done.stderr.startswith(b"straygauge: system '\\xfcmlaut': no card of that name")


def test_printable_keeps_letters():
    assert printable("Zündung 1,5 kΩ") == "Zündung 1,5 kΩ"
    assert printable("a\tb\r\x07\u2028") == r"a\tb\r\x07\u2028"
