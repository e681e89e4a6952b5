"""Text of the user's files: reading it, saying why it cannot be read, and showing pieces of it in messages."""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Iterable
from pathlib import Path

from homewater.running.errors import Problem

SAVE_AS = "save it as CSV with commas between the columns, points in numbers, and UTF-8"


def file_problem(path: str | Path, name: str) -> Problem | None:
    """Return what keeps a file from being read (missing, a folder, not allowed, empty), else None.

    Args:
        path: where the file is.
        name: the file as the user wrote it, for the message.
    """
    path, remedy = Path(path), "a file that can be read; its path is relative to the study file"
    try:
        if path.is_dir():
            return Problem(name, "", "", "a folder", remedy)
        if path.exists() and not path.is_file():
            return Problem(name, "", "", "something that is no plain file", remedy)
        with open(path, "rb") as handle:
            return None if handle.read(1) else Problem(name, "", "", "an empty file", "a file with content")
    except FileNotFoundError:
        return Problem(name, "", "", "no such file", remedy)
    except PermissionError:
        return Problem(name, "", "", "a file that this user may not read", remedy)
    except OSError as error:
        return Problem(name, "", "", f"a file that cannot be read ({error.strerror})", remedy)


def read_text(path: str | Path, name: str) -> str | Problem:
    """Return the text of a UTF-8 file without its byte-order mark, or the problem that keeps it from being read."""
    problem = file_problem(path, name)
    if problem:
        return problem
    content = Path(path).read_bytes()
    if content.startswith(b"PK\x03\x04"):
        return Problem(name, "", "", "a spreadsheet or an archive, not text", SAVE_AS)
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        return Problem(name, "line 1", "", "text in UTF-16", SAVE_AS)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = len(re.findall(rb"\r\n|\r|\n", content[: error.start])) + 1
        found = f"byte 0x{content[error.start]:02X}, which is not UTF-8"
        return Problem(name, f"line {line}", "", found, "text saved as UTF-8")
    return text if text.strip() else Problem(name, "", "", "an empty file", "a file with content")


def shown(text: str) -> str:
    """Return a value for a message: cut at 60 characters, what cannot be seen as its code."""
    text = text if len(text) <= 60 else text[:57] + "..."
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in text)


def nearest(text: str, known: Iterable[str]) -> str | None:
    """Return the known word that a misspelt one most resembles, or None; case and Unicode form count little."""
    plain = {unicodedata.normalize("NFKC", word).casefold().strip(): word for word in known}
    match = difflib.get_close_matches(unicodedata.normalize("NFKC", text).casefold().strip(), plain, n=1, cutoff=0.75)
    return plain[match[0]] if match else None
