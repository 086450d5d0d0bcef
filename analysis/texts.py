"""What is the text of this file, whatever its encoding?

Files come from spreadsheets, tablets and other programs: UTF-8 with or without a mark, UTF-16 with
one, or Windows-1252. A file is read piece by piece, so its size does not matter, and one that
changes while it is read is refused.
"""

from __future__ import annotations

import codecs
import hashlib
import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import BinaryIO

#: How much of a file is read at once.
BLOCK_BYTES = 4 << 20


class NotALogError(ValueError):
    """The file as a whole cannot be read as a log; the message says why and what to do."""


@dataclass(frozen=True)
class Text:
    """A file's text, which can be read from its start as often as it is needed.

    Attributes
    ----------
    open : callable
        Opens the file for reading bytes.
    encoding : str
        ``utf-8``, ``utf-16`` or ``windows-1252``.
    size : int
        Bytes of the file.
    sha256 : str
        Hash of those bytes.
    stamp : tuple of int or None
        Size and time of the file, by which a change is found out; None for bytes in memory.
    """

    open: Callable[[], BinaryIO]
    encoding: str
    size: int = 0
    sha256: str = ""
    stamp: tuple[int, int] | None = None

    def pieces(self) -> Iterator[bytes]:
        """Yield the text in UTF-8 without a byte-order mark, every line ending as it stood.

        Raises NotALogError when the file is no longer the one that was examined.
        """
        if self.encoding == "utf-8":
            mark = codecs.BOM_UTF8
            for raw in self._raw():
                yield raw.removeprefix(mark)
                mark = b""
            return
        name, errors = (
            ("utf-16", "strict") if self.encoding == "utf-16" else ("cp1252", "feedtally-keep")
        )
        decoder = codecs.getincrementaldecoder(name)(errors)
        # A file that is marked as UTF-8 and has a broken byte is read as Windows-1252 too.
        mark = codecs.BOM_UTF8 if self.encoding == "windows-1252" else b""
        for raw in self._raw():
            yield decoder.decode(raw.removeprefix(mark)).encode("utf-8", "replace")
            mark = b""

    def _raw(self) -> Iterator[bytes]:
        with self.open() as file:
            while piece := file.read(BLOCK_BYTES):
                if _stamp(file) != self.stamp:
                    break
                yield piece
            if _stamp(file) != self.stamp:
                raise NotALogError(
                    "the file changed while it was read; add it again when it is complete"
                )


def _stamp(file: BinaryIO) -> tuple[int, int] | None:
    try:
        held = os.fstat(file.fileno())
    except (OSError, ValueError):
        # Bytes in memory, which nobody changes.
        return None
    return held.st_size, held.st_mtime_ns


def _undefined_as_control(error: UnicodeError) -> tuple[str, int]:
    # Five bytes have no meaning in Windows-1252. They are kept as the control character of the
    # same number, as browsers do, so that no byte of a note is lost.
    if not isinstance(error, UnicodeDecodeError):
        raise error
    return "".join(map(chr, error.object[error.start : error.end])), error.end


codecs.register_error("feedtally-keep", _undefined_as_control)


def examine(opened: Callable[[], BinaryIO]) -> Text:
    """Tell a file's encoding, size and hash by one reading of it.

    Parameters
    ----------
    opened : callable
        Opens the file for reading bytes.

    Returns
    -------
    Text
        UTF-8 with or without a byte-order mark, UTF-16 with one, else Windows-1252.

    Raises
    ------
    NotALogError
        For an empty file, for one with zero bytes near its start (a picture, a spreadsheet's own
        format, UTF-16 without its mark), and for broken UTF-16.
    """
    size, blank, encoding = 0, True, "utf-8"
    digest = hashlib.sha256()
    decoder: codecs.IncrementalDecoder | None = None
    with opened() as file:
        stamp = _stamp(file)
        while raw := file.read(BLOCK_BYTES):
            if not size:
                encoding = _first_guess(raw)
                decoder = codecs.getincrementaldecoder(encoding)()
            digest.update(raw)
            if decoder is not None:
                waiting = len(decoder.getstate()[0])
                try:
                    text = decoder.decode(raw)
                    blank = blank and not text.strip("\ufeff \t\r\n")
                except UnicodeDecodeError as error:
                    if encoding == "utf-16":
                        raise _broken_utf16(size - waiting + error.start) from None
                    encoding, decoder, blank = "windows-1252", None, False
            size += len(raw)
    if decoder is not None:
        waiting = len(decoder.getstate()[0])
        try:
            decoder.decode(b"", True)
        except UnicodeDecodeError:
            if encoding == "utf-16":
                raise _broken_utf16(size - waiting) from None
            encoding, blank = "windows-1252", False
    if blank:
        raise NotALogError("the file is empty; export the log again as CSV")
    return Text(opened, encoding, size, digest.hexdigest(), stamp)


def _first_guess(raw: bytes) -> str:
    if raw.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    if b"\0" in raw[:4096]:
        raise NotALogError("the file is not text; save the log as CSV, in UTF-8, and add that")
    return "utf-8"


def _broken_utf16(byte: int) -> NotALogError:
    return NotALogError(
        f"the file says it is UTF-16 but is broken at byte {byte}; save it again as CSV in UTF-8"
    )
