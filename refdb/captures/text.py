"""A text file as bytes polars can parse: encoding, line ends, head, tail, pieces."""

from __future__ import annotations

import codecs
import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import IO

from refdb.captures.words import refusal

HEAD_BYTES = 64 * 1024
LONG_HEAD_BYTES = 1024 * 1024
PIECE_BYTES = 8 * 1024 * 1024
_NO_TEXT = re.compile(rb"[\x00-\x08\x0e-\x19\x1b-\x1f\x7f]")
_SAVE_AS = "save the recording as CSV in UTF-8"


class Text:
    """An open text file.

    head: its start, decoded. encoding: 'utf-8', 'latin-1', 'utf-16-le' or 'utf-16-be'.
    rewritten: the bytes on disk are not what polars may parse (UTF-16, odd line ends), so use
    `rest` or `bodies`, never `handle`.
    """

    def __init__(self, path: Path, handle: IO[bytes], size: int) -> None:
        self.path = path
        self.handle = handle
        self.size = size
        raw = handle.read(HEAD_BYTES)
        self._bom, self.encoding = _encoding(path, raw)
        self._strict = bool(self._bom)
        self.rewritten = self.encoding.startswith("utf-16")
        self._odd_ends = False
        self._take_head(raw)

    def _take_head(self, raw: bytes) -> None:
        self.is_whole = len(raw) >= self.size
        if not self.encoding.startswith("utf-16"):
            control = _NO_TEXT.search(raw)
            if control:
                raise refusal(
                    self.path,
                    "text",
                    f"byte 0x{raw[control.start()]:02x} at byte {control.start()}",
                    _SAVE_AS,
                )
            self._odd_ends = b"\r\r\n" in raw or (b"\r" in raw and b"\n" not in raw)
            self.rewritten = self._odd_ends
        self.head = self._decoded(raw)

    def lengthen_head(self) -> bool:
        """Take a longer head, for preambles of hundreds of lines. False if there is no more."""
        if self.is_whole or len(self.head) > HEAD_BYTES:
            return False
        self.handle.seek(0)
        self._take_head(self.handle.read(LONG_HEAD_BYTES))
        return True

    def _decoded(self, raw: bytes) -> str:
        decoder = codecs.getincrementaldecoder(self.encoding)("strict")
        try:
            text = decoder.decode(raw[len(self._bom) :], final=self.is_whole)
        except UnicodeDecodeError as error:
            raise _undecodable(self.path, self.encoding, len(self._bom) + error.start) from None
        return _plain_ends(text) if self._odd_ends else text

    def rest(self, skip: int) -> bytes:
        """All that follows the first `skip` lines, as UTF-8 or latin-1 with line feeds."""
        self.handle.seek(0)
        raw = self.handle.read()
        if self._strict or self.rewritten:
            try:
                text = raw[len(self._bom) :].decode(self.encoding)
            except UnicodeDecodeError as error:
                raise _undecodable(self.path, self.encoding, len(self._bom) + error.start) from None
            raw = (_plain_ends(text) if self.rewritten else text).encode()
        at = 0
        for _ in range(skip):
            at = raw.index(b"\n", at) + 1
        return raw[at:] if at else raw

    def bodies(self, skip: int, rows: int) -> Iterator[tuple[bytes, bool]]:
        """(whole lines, whether they are the last) after the first `skip` lines, in pieces of
        roughly `rows` lines but at most a few megabytes."""
        lines = max(1, self.head.count("\n"))
        piece = min(PIECE_BYTES, max(HEAD_BYTES, rows * (len(self.head) // lines + 1)))
        decoder = codecs.getincrementaldecoder(self.encoding)("strict")
        recode = self._strict or self.rewritten
        self.handle.seek(len(self._bom))
        left, done, at = b"", False, len(self._bom)
        while not done:
            raw = self.handle.read(piece)
            done = len(raw) < piece
            if recode:
                try:
                    text = decoder.decode(raw, final=done)
                except UnicodeDecodeError as error:
                    raise _undecodable(self.path, self.encoding, at + error.start) from None
                at += len(raw)
                raw = (_plain_ends(text) if self.rewritten else text).encode()
            left += raw
            while skip and b"\n" in left:
                left = left[left.index(b"\n") + 1 :]
                skip -= 1
            if skip and not done:
                continue
            cut = len(left) if done else left.rfind(b"\n") + 1
            body, left = left[:cut], left[cut:]
            if body:
                yield body, done

    def count_lines(self) -> int:
        """Line ends in the file; reads it once, keeps nothing."""
        self.handle.seek(0)
        count = 0
        mark = b"\r" if self._odd_ends else b"\n"
        while chunk := self.handle.read(PIECE_BYTES):
            count += chunk.count(mark)
        return count

    def last_lines(self) -> list[str]:
        """Some whole lines from the end of the file."""
        self.handle.seek(max(0, self.size - 8192 & ~1))
        text = self.handle.read(8192 + 1).decode(self.encoding, errors="replace")
        return [line.rstrip("\r") for line in text.split("\n")[1:] if line.strip()][:-1]


@contextmanager
def open_text(path: Path) -> Iterator[Text]:
    """The text file at `path`, opened. Raises CaptureError if it is empty or no text."""
    with open(path, "rb") as handle:
        size = handle.seek(0, io.SEEK_END)
        handle.seek(0)
        if size == 0:
            raise refusal(path, "a recording", "an empty file", "save the recording again")
        yield Text(path, handle, size)


def _encoding(path: Path, raw: bytes) -> tuple[bytes, str]:
    if raw.startswith(codecs.BOM_UTF8):
        return codecs.BOM_UTF8, "utf-8"
    if raw.startswith(codecs.BOM_UTF16_LE):
        return codecs.BOM_UTF16_LE, "utf-16-le"
    if raw.startswith(codecs.BOM_UTF16_BE):
        return codecs.BOM_UTF16_BE, "utf-16-be"
    start = raw[:512]
    if len(start) >= 4 and start.count(0) >= 0.4 * len(start):
        return b"", "utf-16-le" if start[1::2].count(0) > start[::2].count(0) else "utf-16-be"
    decoder = codecs.getincrementaldecoder("utf-8")("strict")
    try:
        decoder.decode(raw, final=len(raw) < HEAD_BYTES)
    except UnicodeDecodeError:
        return b"", "latin-1"
    return b"", "utf-8"


def _plain_ends(text: str) -> str:
    return text.replace("\r\r\n", "\n").replace("\r\n", "\n").replace("\r", "\n")


def _undecodable(path: Path, encoding: str, offset: int) -> Exception:
    return refusal(path, f"{encoding} text", f"a byte that is none at byte {offset}", _SAVE_AS)
