"""Bytes and text of a file: zipped or not, in whichever of the usual encodings."""

from __future__ import annotations

import codecs
import gzip
import zlib
from pathlib import Path

from pipelines.errors import UnreadableFile

HEAD_BYTES = 65_536
MAX_BYTES = 1 << 30
GZIP_MAGIC = b"\x1f\x8b"

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
        UnreadableFile: when it cannot be opened, is a broken zip, or holds more than 1 GiB.
    """
    content = _read(path, MAX_BYTES + 1, whole=True)
    if content is None or len(content) > MAX_BYTES:
        raise UnreadableFile("The file holds more than 1 GiB; save the cranking stretch only.")
    return content


def _read(path: Path, count: int, *, whole: bool) -> bytes | None:
    try:
        with path.open("rb") as file:
            if file.read(2) != GZIP_MAGIC:
                file.seek(0)
                if not whole:
                    return file.read(count)
                # Not read(count): that would set aside a gibibyte for every capture.
                return file.read() if path.stat().st_size < count else None
            file.seek(0)
            with gzip.open(file) as unzipped:
                return unzipped.read(count)
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        if not whole:
            return GZIP_MAGIC  # recognised by its ending at most; reading it whole then names the reason
        raise UnreadableFile(
            "The zipped file is broken or was cut off; zip or copy the capture once more."
        ) from error
    except OSError as error:
        raise UnreadableFile(
            f"The file cannot be opened ({error.strerror or error}); check that it exists and may be read."
        ) from error


# control characters that text does not hold
_NO_CONTROLS = dict.fromkeys(code for code in (*range(32), 127) if chr(code) not in "\t\n\r\f\x1a")


def encoding_of(content: bytes) -> tuple[str, int]:
    """The text encoding and the length of its byte order mark.

    UTF-8, UTF-16 and UTF-32 by their mark (Unicode Standard, section 23.8); UTF-16 without one by its
    zero bytes; anything else that is not valid UTF-8 counts as latin-1 (ISO/IEC 8859-1), where every
    byte is a character.
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
    return ("utf-8", 0) if _is_utf8(content) else ("latin-1", 0)


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
