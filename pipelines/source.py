"""Bytes and text of a file: zipped or not, in whichever of the usual encodings."""

from __future__ import annotations

import codecs
import gzip
import re
import stat
import zlib
from pathlib import Path

from pipelines.errors import CannotOpen, UnreadableFile

HEAD_BYTES = 65_536
# Nothing larger is read, zipped or not: a minute at a million samples a second on one channel.
MAX_BYTES = 512 << 20
# What is zipped may grow to this without question, and beyond it only to so many times its zipped size.
UNZIPPED_BYTES = 32 << 20
UNZIPPED_RATIO = 100
# Lines of text are looked for in blocks: a line longer than two of them is always seen.
LINE_BYTES = 65_536
GZIP_MAGIC = b"\x1f\x8b"

TOO_LARGE = f"The file holds more than {MAX_BYTES >> 20} MiB; save the stretch that matters only."
TOO_LONG_A_LINE = (
    f"The file has a line of more than {LINE_BYTES} bytes, which no row of a table has; export it again as "
    "delimited text, one row a line."
)

_WINDOWS_ONLY = re.compile(rb"[\x80-\x9f]")

# The longer mark first: the UTF-32 mark begins with the UTF-16 one.
_MARKS: tuple[tuple[bytes, str], ...] = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


def read_head(path: Path, count: int = HEAD_BYTES) -> bytes:
    """The first `count` bytes of what the file holds, unzipped where it is zipped (gzip, RFC 1952).

    Raises:
        UnreadableFile: when it cannot be opened.
    """
    return _read(path, count, whole=False) or b""


def read_all(path: Path) -> bytes:
    """All the file holds, unzipped where it is zipped.

    Raises:
        UnreadableFile: when it cannot be opened, is a broken zip, holds too much, or is text with a line
            that no table has; all of that is seen before more than a block of it is in memory.
    """
    content = _read(path, MAX_BYTES + 1, whole=True)
    if content is None:
        raise UnreadableFile(TOO_LARGE)
    return content


def check_lines(path: Path) -> None:
    """Look for a newline in every block of a text file, reading no more of it than that takes.

    Raises:
        UnreadableFile: when a block holds none, or the file cannot be opened or is too large.
    """
    size = _regular_size(path)
    if size > MAX_BYTES:
        raise UnreadableFile(TOO_LARGE)
    step = 4096
    try:
        with path.open("rb", buffering=0) as file:
            if file.read(2) == GZIP_MAGIC:
                return  # looked at while it is unzipped
            for start in range(0, size - LINE_BYTES, LINE_BYTES):
                file.seek(start)
                for _ in range(LINE_BYTES // step):
                    if _ends_a_line(file.read(step)):
                        break
                else:
                    raise UnreadableFile(TOO_LONG_A_LINE)
    except OSError as error:
        raise _cannot_open(error) from error


def _ends_a_line(content: bytes) -> bool:
    return b"\n" in content or b"\r" in content


def _regular_size(path: Path) -> int:
    """Bytes of a plain file.

    Raises:
        UnreadableFile: when it cannot be looked at, or is a pipe or device (opening one could wait forever).
    """
    try:
        status = path.stat()
    except OSError as error:
        raise _cannot_open(error) from error
    if not stat.S_ISREG(status.st_mode):
        raise UnreadableFile("This is no plain file (a folder, a pipe or a device); name a saved capture.")
    return status.st_size


def _cannot_open(error: OSError) -> CannotOpen:
    return CannotOpen(
        f"The file cannot be opened ({error.strerror or error}); check that it exists and may be read."
    )


def _read(path: Path, count: int, *, whole: bool) -> bytes | None:
    size = _regular_size(path)
    try:
        with path.open("rb") as file:
            if file.read(2) != GZIP_MAGIC:
                file.seek(0)
                if not whole:
                    return file.read(count)
                # Not read(count): that would set aside half a gibibyte for every capture.
                return file.read() if size < count else None
            file.seek(0)
            with gzip.open(file) as unzipped:
                return _unzip(unzipped, size) if whole else unzipped.read(count)
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        if not whole:
            return GZIP_MAGIC  # recognised by its ending at most; reading it whole then names the reason
        raise UnreadableFile(
            "The zipped file is broken or was cut off; zip or copy the capture once more."
        ) from error
    except OSError as error:
        raise _cannot_open(error) from error


def _unzip(unzipped: gzip.GzipFile, zipped_bytes: int) -> bytes:
    """What the zip holds, block by block, so that one made to burst is left before it does."""
    content = bytearray()
    text = False
    while block := unzipped.read(LINE_BYTES):
        if not content:
            text = looks_like_text(block)
        content += block
        if text and len(block) == LINE_BYTES and not _ends_a_line(block):
            raise UnreadableFile(TOO_LONG_A_LINE)
        if len(content) > MAX_BYTES:
            raise UnreadableFile(TOO_LARGE)
        if len(content) > max(UNZIPPED_BYTES, UNZIPPED_RATIO * zipped_bytes):
            raise UnreadableFile(
                f"The zipped file grows to more than {UNZIPPED_RATIO} times its size, which no capture does; "
                "save the capture again without zipping it."
            )
    return bytes(content)


# control characters that text does not hold
_NO_CONTROLS = dict.fromkeys(code for code in (*range(32), 127) if chr(code) not in "\t\n\r\f\x1a")


def encoding_of(content: bytes) -> tuple[str, int]:
    """The text encoding and the length of its byte order mark.

    UTF-8, UTF-16 and UTF-32 by their mark (Unicode Standard, section 23.8); UTF-16 without one by its
    zero bytes; anything else that is not valid UTF-8 counts as latin-1 (ISO/IEC 8859-1), where every
    byte is a character, or as its superset Windows-1252 where bytes are used that latin-1 keeps for
    control codes (typographic quotes and dashes; WHATWG Encoding Standard, windows-1252).
    """
    for mark, name in _MARKS:
        if content.startswith(mark):
            return name, len(mark)
    sample = content[:HEAD_BYTES]
    even, odd = sample[0::2], sample[1::2]
    if odd and odd.count(0) > 0.6 * len(odd) and even.count(0) < 0.1 * len(even):
        return "utf-16-le", 0
    if even and even.count(0) > 0.6 * len(even) and odd.count(0) < 0.1 * len(odd):
        return "utf-16-be", 0
    if _is_utf8(content):
        return "utf-8", 0
    return ("cp1252", 0) if _WINDOWS_ONLY.search(content) else ("latin-1", 0)


def _is_utf8(content: bytes) -> bool:
    if content.isascii():
        return True
    try:
        codecs.getincrementaldecoder("utf-8")().decode(content)
    except UnicodeDecodeError:
        return False
    return True


def to_utf8(content: bytes) -> bytes:
    """The content as UTF-8 without a mark and with bare newlines only where they were bare carriage returns.

    Carriage return plus newline is left as it is: line ends are for the parser.
    """
    name, mark = encoding_of(content)
    body = content[mark:] if mark else content
    if name != "utf-8":
        body = body.decode(name, errors="replace").encode("utf-8")
    if b"\r" in body[:HEAD_BYTES] and b"\n" not in body[:HEAD_BYTES]:
        body = body.replace(b"\r", b"\n")
    return body


def looks_like_text(head: bytes) -> bool:
    """Whether the first bytes are text in one of the encodings above: hardly any control characters."""
    name, mark = encoding_of(head)
    text = head[mark:].rstrip(b"\0").decode(name, errors="ignore")
    if not text.strip():
        return False
    start = text[:4096]
    odd = len(start) - len(start.translate(_NO_CONTROLS))
    return odd <= 0.002 * len(start)
