"""Mutations of the valid study: which file, what is done to it, and what must come of it.

Kinds: `neutral` (the results are those of the valid study), `harmful` (it must be refused), `open` (refused with a
place, or taken in rightly as judged by a naive second reading).
"""

from __future__ import annotations

import csv
import gzip
import io
import re
from collections.abc import Callable
from dataclasses import dataclass

from hypothesis import strategies as st
from tests.hostile.fuzz_study import FORMS, HALVES, REST, animals_of, bgzip, packed, study_files, vcf_text

NEUTRAL, HARMFUL, OPEN = "neutral", "harmful", "open"
TABLES = ("samples.csv", "sites.csv", "transfers.csv", "map.csv")
INDEXED = {"topshell.vcf.gz": "topshell.vcf.gz.tbi", "topshell.bcf": "topshell.bcf.csi"}
SMALL_PART = 700  # bytes: an indexed file is read in several parts
ODD_VALUES = [
    "", " ", "NA", "nan", "-", "0", "-1", "1e400", "1e-400", "57,5", "0x10", "١٢", "²", "2019-02-30", "43617", "1-Jan",
    "=1+1", "#REF!", "A" * 4000, "a\nb", 'say "x"', "\x00", "\u202e", "N1", "north", "ｎorth", "N1 ", "../../x",
    "baseline", "QUERY", "inf", "9" * 30, "1_000", "+5", "1.0", "91", "-181", "é", "e\u0301", "2019/2018", "true",
]  # fmt: skip
ODD_CALLS = [
    "0/2", "0", "1", "0/0/0", ".", "./.", "1/.", ".|1", "a/b", "", "9/9", "0/1:3", "0/1:3,4,5", "0/1:.,.", "0/1:-5,3",
    "0/1:99999999999,1", "/1", "0//1", "0/1/", " 0/1", "0\\1", "-1/0", "1/1:x", "0/1:1,2:3", "\x00", "99999999999/0",
]  # fmt: skip
ODD_PARTS = [
    "", ".", "0", "-1", "x", "1e3", "2147483647", "2147483648", "99999999999999999999", "1000 ", "chr9", "CHR1", "A,C",
    "A,", ",", "<X>", "N", "a", "*", "A]chr1:5]", "AC", "PASS;low", "zz", "DP", "GT", "AD:GT", "GT:GT", "GT:AD:AD",
    "AD", "XX:GT", "GT:XX", "A=1", "END=5", "END=999999999", "é", "\x00", "A" * 3000, "chr1:1000", "m1", "m3", ";", " ",
]  # fmt: skip


@dataclass(frozen=True)
class Example:
    """One mutated study.

    Attributes:
        form: form of its genotype file, one of FORMS.
        said: what was done.
        kind: NEUTRAL, HARMFUL or OPEN.
        files: content by name.
        changed: the files that are not those of the valid study.
        part_bytes: size from which an indexed genotype file is read in parts, or None.
    """

    form: str
    said: str
    kind: str
    files: dict[str, bytes]
    changed: tuple[str, ...]
    part_bytes: int | None

    def __repr__(self) -> str:
        return f"Example({self.form}, {self.kind}: {self.said})"


# --- bytes of any file ---


def _some_bytes(draw: Callable, content: bytes) -> tuple[str, bytes]:
    at = draw(st.integers(0, len(content) - 1))
    do = draw(st.sampled_from(["flip", "delete", "insert", "repeat", "cut", "zero"]))
    if do == "flip":
        byte = content[at] ^ draw(st.integers(1, 255))
        return f"byte {at} is {byte:#x}", content[:at] + bytes([byte]) + content[at + 1 :]
    length = draw(st.integers(1, 40))
    if do == "delete":
        return f"{length} bytes at {at} are gone", content[:at] + content[at + length :]
    if do == "insert":
        new = draw(st.binary(min_size=1, max_size=12))
        return f"{new!r} stands at {at}", content[:at] + new + content[at:]
    if do == "repeat":
        return f"{length} bytes at {at} come again", content[: at + length] + content[at:]
    if do == "cut":
        return f"cut at {at}", content[:at]
    return f"{length} bytes at {at} are zero", content[:at] + bytes(len(content[at : at + length])) + content[
        at + length :
    ]


# --- tables ---


def _rows(content: bytes) -> list[list[str]]:
    return list(csv.reader(io.StringIO(content.decode("utf-8"), newline="")))


def _csv(rows: list[list[str]], **how: str) -> bytes:
    target = io.StringIO(newline="")
    csv.writer(target, **{"lineterminator": "\n", **how}).writerows(rows)
    return target.getvalue().encode("utf-8")


def _dressed(draw: Callable, name: str, content: bytes) -> tuple[str, str, bytes]:
    """Spreadsheets' habits that change nothing."""
    rows = _rows(content)
    dresses = {
        "a byte-order mark": b"\xef\xbb\xbf" + content,
        "CRLF": content.replace(b"\n", b"\r\n"),
        "CR": content.replace(b"\n", b"\r"),
        "all in quotes": _csv(rows, quoting=csv.QUOTE_ALL),
        "blanks around values": _csv([[f" {cell}\t" for cell in row] for row in rows]),
        "blank lines": content.replace(b"\n", b"\n\n"),
        "rows of commas at the end": content + b"," * (len(rows[0]) - 1) + b"\n",
        "empty columns at the end": _csv([[*row, "", ""] for row in rows]),
        "no last line end": content.rstrip(b"\n"),
    }
    if name != "calls.csv":  # there it would be a marker
        further = [[*row, "n" if number else "remarks"] for number, row in enumerate(rows)]
        dresses["one more column"] = _csv(further)
    said = draw(st.sampled_from(sorted(dresses)))
    return NEUTRAL, said, dresses[said]


def _reordered(draw: Callable, name: str, content: bytes) -> tuple[str, str, bytes]:
    rows = _rows(content)
    if draw(st.booleans()) and name != "map.csv":
        order = draw(st.permutations(range(1, len(rows))))
        return NEUTRAL, f"rows in the order {order}", _csv([rows[0], *(rows[i] for i in order)])
    fixed = [0] if name == "calls.csv" else []
    order = fixed + draw(st.permutations(range(len(fixed), len(rows[0]))))
    return NEUTRAL, f"columns in the order {order}", _csv([[row[i] for i in order] for row in rows])


def _excel(draw: Callable, name: str, content: bytes) -> tuple[str, str, bytes]:
    """Spreadsheets' habits that cannot be read safely."""
    rows = _rows(content)
    saved = {
        "semicolons": content.replace(b",", b";"),
        "tabs": content.replace(b",", b"\t"),
        "UTF-16": content.decode().encode("utf-16"),
        "Latin-1": content[:-1] + "é".encode("latin-1") + b"\n",
        "nothing": b"",
        "blank lines alone": b"\n \n",
        "no header": content.split(b"\n", 1)[1],
        "a spreadsheet": b"PK\x03\x04" + content,
    }
    if name == "sites.csv":
        saved["decimal commas"] = _csv([[re.sub(r"(\d)\.(\d)", r"\1,\2", cell) for cell in row] for row in rows])
    said = draw(st.sampled_from(sorted(saved)))
    return HARMFUL, said, saved[said]


def _columns(draw: Callable, name: str, content: bytes) -> tuple[str, str, bytes]:
    rows = _rows(content)
    optional = {"length_mm", "replicateOf", "kind", "lost_or_dead"}
    at = draw(st.integers(0, len(rows[0]) - 1))
    column = rows[0][at]
    if draw(st.booleans()):
        return HARMFUL, f"column {column} twice", _csv([[*row, row[at]] for row in rows])
    kind = OPEN if column in optional else HARMFUL
    return kind, f"no column {column}", _csv([row[:at] + row[at + 1 :] for row in rows])


def _one_row(draw: Callable, name: str, content: bytes) -> tuple[str, str, bytes]:
    rows = _rows(content)
    at = draw(st.integers(1, len(rows) - 1))
    if draw(st.booleans()):
        return HARMFUL, f"row {at} twice", _csv([*rows[: at + 1], *rows[at:]])
    # an animal without a row, a map of one position; a site may be gone where nothing names it
    kind = OPEN if name in ("sites.csv", "transfers.csv") else HARMFUL
    return kind, f"row {at} is gone", _csv(rows[:at] + rows[at + 1 :])


def _cells(draw: Callable, name: str, content: bytes) -> tuple[str, str, bytes]:
    rows = _rows(content)
    i, j = draw(st.integers(0, len(rows) - 1)), draw(st.integers(0, len(rows[0]) - 1))
    do = draw(st.sampled_from(["odd", "within", "between", "text"]))
    if do == "within":
        k = draw(st.integers(0, len(rows[0]) - 1))
        rows[i][j], rows[i][k] = rows[i][k], rows[i][j]
        return OPEN, f"row {i}: columns {j} and {k} exchanged", _csv(rows)
    if do == "between":
        k = draw(st.integers(0, len(rows) - 1))
        rows[i][j], rows[k][j] = rows[k][j], rows[i][j]
        return OPEN, f"column {j}: rows {i} and {k} exchanged", _csv(rows)
    value = draw(st.sampled_from(ODD_VALUES) if do == "odd" else st.text(max_size=12))
    rows[i][j] = value
    return OPEN, f"row {i}, column {j} is {value[:40]!r}", _csv(rows)


def _swapped_coordinates(draw: Callable, name: str, content: bytes) -> tuple[str, str, bytes]:
    rows = _rows(content)
    at = draw(st.integers(1, len(rows) - 1))
    rows[at][2], rows[at][3] = rows[at][3], rows[at][2]
    return HARMFUL, f"row {at}: latitude and longitude swapped", _csv(rows)


# --- genotypes ---


def _vcf_lines(draw: Callable, text: str) -> tuple[str, str, bytes]:
    """Whole lines of a VCF."""
    lines = text.split("\n")[:-1]
    first = next(number for number, line in enumerate(lines) if not line.startswith("#"))
    do = draw(
        st.sampled_from(["record gone", "record twice", "records exchanged", "header line gone", "CRLF", "odd line"])
    )
    at = draw(st.integers(first, len(lines) - 1))
    if do == "record gone":
        return OPEN, f"line {at} is gone", _joined(lines[:at] + lines[at + 1 :])
    if do == "record twice":
        return OPEN, f"line {at} twice", _joined(lines[: at + 1] + lines[at:])
    if do == "records exchanged":
        other = draw(st.integers(first, len(lines) - 1))
        lines[at], lines[other] = lines[other], lines[at]
        return OPEN if at == other else HARMFUL, f"lines {at} and {other} exchanged", _joined(lines)
    if do == "header line gone":
        at = draw(st.integers(0, first - 1))
        harmful = at == 0 or lines[at].startswith(("#CHROM", "##FORMAT=<ID=GT"))
        return HARMFUL if harmful else OPEN, f"line {at} is gone", _joined(lines[:at] + lines[at + 1 :])
    if do == "CRLF":
        return NEUTRAL, "CRLF", _joined(lines).replace(b"\n", b"\r\n")
    at = draw(st.integers(0, len(lines)))
    new = draw(
        st.sampled_from(["", "#", "##", "# a note", "rubbish", "\t", "chr1\t5", "##FORMAT=<ID=GT", "\x00", "é" * 50])
    )
    return OPEN, f"line {new!r} stands at {at}", _joined([*lines[:at], new, *lines[at:]])


def _joined(lines: list[str]) -> bytes:
    return ("\n".join(lines) + "\n").encode()


def _vcf_columns(draw: Callable, text: str) -> tuple[str, str, bytes]:
    """Columns of a VCF: animals in another order, twice, gone, or by another name."""
    lines = text.split("\n")[:-1]
    n = lines[-1].count("\t") - 8
    do = draw(st.sampled_from(["order", "twice", "gone", "renamed"]))
    at = draw(st.integers(9, n + 8))
    order = list(range(n + 9))
    if do == "order":
        order = order[:9] + draw(st.permutations(order[9:]))
    elif do == "twice":
        order.append(at)
    elif do == "gone":
        order.remove(at)
    rows = [line.split("\t") if not line.startswith("##") else [line] for line in lines]
    rows = [row if len(row) == 1 else [row[i] for i in order] for row in rows]
    if do == "renamed":
        for row in rows:
            if row[0] == "#CHROM":
                row[at] = draw(st.sampled_from(["", "T", row[at] + " ", row[at].lower() + "x", "N1"[at == 9 :]]))
    said = f"animals in the order {order[9:]}" if do == "order" else f"column {at} {do}"
    return NEUTRAL if do == "order" else HARMFUL, said, _joined(["\t".join(row) for row in rows])


def _vcf_cells(draw: Callable, text: str) -> tuple[str, str, bytes]:
    lines = text.split("\n")[:-1]
    first = next(number for number, line in enumerate(lines) if not line.startswith("#"))
    at = draw(st.integers(first, len(lines) - 1))
    cells = lines[at].split("\t")
    if draw(st.booleans()):
        column, value = draw(st.integers(9, len(cells) - 1)), draw(st.sampled_from(ODD_CALLS))
    else:
        column, value = draw(st.integers(0, 8)), draw(st.sampled_from(ODD_PARTS))
    cells[column] = value
    return (
        OPEN,
        f"line {at}, column {column} is {value[:40]!r}",
        _joined([*lines[:at], "\t".join(cells), *lines[at + 1 :]]),
    )


def _vcf_calls(draw: Callable, text: str) -> tuple[str, str, bytes]:
    """All calls of some animals, or of all, are one and the same: too little is left, or an animal."""
    lines = text.split("\n")[:-1]
    call = draw(st.sampled_from(["./.", "0/0", "1/1", "0/1", ".", "0"]))
    n = lines[-1].count("\t") - 8
    chosen = draw(st.sets(st.integers(9, n + 8), min_size=1)) if draw(st.booleans()) else set(range(9, n + 9))
    for number, line in enumerate(lines):
        if not line.startswith("#"):
            cells = line.split("\t")
            lines[number] = "\t".join(call if column in chosen else cell for column, cell in enumerate(cells))
    # alike and heterozygous are duplicates of one animal, which the filters leave one of at each site
    kind = HARMFUL if call == "0" or (len(chosen) == n and call != "0/1") else OPEN
    return kind, f"{len(chosen)} animals are {call} at every marker", _joined(lines)


def _vcf_bytes(draw: Callable, text: str) -> tuple[str, str, bytes]:
    said, content = _some_bytes(draw, text.encode())
    return OPEN, f"of the text, {said}", content


def _bcf_bytes(draw: Callable, text: str) -> tuple[str, str, bytes]:
    """Damage inside a BCF that its checksums do not show, since it was packed after it."""
    said, content = _some_bytes(draw, gzip.decompress(study_files("topshell.bcf")["topshell.bcf"]))
    return OPEN, f"inside, {said}", bgzip(content)


# --- a whole example ---


@st.composite
def examples(draw: Callable) -> Example:
    """Draw a mutated study."""
    form = draw(st.sampled_from(FORMS))
    with_index = form in INDEXED and draw(st.booleans())
    files = study_files(form, with_index)
    part_bytes = SMALL_PART if with_index else None
    what = draw(st.sampled_from(["bytes", "table", "table", "genotypes", "genotypes", "file"]))
    if what == "table" or (what == "genotypes" and form == "calls.csv"):
        name = draw(st.sampled_from(TABLES if what == "table" else ("calls.csv", "markers.csv")))
        kinds = [_dressed, _reordered, _excel, _columns, _one_row, _cells, _cells]
        kinds += [_swapped_coordinates] if name == "sites.csv" else []
        kind, said, content = draw(st.sampled_from(kinds))(draw, name, files[name])
    elif what == "genotypes":
        name = form
        kinds = [_vcf_lines, _vcf_columns, _vcf_cells, _vcf_cells, _vcf_cells, _vcf_bytes, _vcf_bytes, _vcf_calls]
        kinds += [_bcf_bytes] * 4 if form == "topshell.bcf" else []
        make = draw(st.sampled_from(kinds))
        kind, said, made = make(draw, vcf_text(animals_of(form)))
        if form == HALVES and make is _vcf_calls:
            kind = OPEN  # the other file's markers vary
        try:
            content = made if make is _bcf_bytes else packed(made, form)
        except ValueError:  # no BCF can be made of it
            form, with_index, part_bytes = "topshell.vcf", False, None
            files, name, content = study_files(form), form, made
        files.pop(INDEXED.get(form, ""), None)  # the index would tell of another file
        part_bytes = None
    elif what == "file":
        kind, name, said, content = _whole_file(draw, form, files)
    else:
        name = draw(st.sampled_from(sorted(files)))
        said, content = _some_bytes(draw, files[name])
        kind = OPEN
        if said.startswith("cut") and form in INDEXED and name == form:
            kind = HARMFUL
    files[name] = content
    return Example(form, f"{name}: {said}", kind, files, (name,), part_bytes)


def _whole_file(draw: Callable, form: str, files: dict[str, bytes]) -> tuple[str, str, str, bytes]:
    """One file emptied, in place of another, or two of them joined."""
    name = draw(st.sampled_from(sorted(set(files) - {INDEXED.get(form, "")})))
    other = draw(st.sampled_from(sorted(set(files) - {name, INDEXED.get(form, "")})))
    do = draw(st.sampled_from(["empty", "replaced", "packed"]))
    if do == "empty":
        return HARMFUL, name, "emptied", b""
    if do == "replaced":
        return HARMFUL, name, f"replaced by {other}", files[other]
    kind = OPEN if name in ("reference.fa", REST) or (name == form and form != "calls.csv") else HARMFUL
    return kind, name, "compressed once more", gzip.compress(files[name], mtime=0)


def text_of_genotypes(example: Example) -> str | None:
    """Return the VCF text of a mutated study; None for several files, or what the standard library cannot unpack."""
    content = example.files[example.form]
    if example.form == HALVES:
        return None
    if example.form in ("topshell.bcf", "calls.csv"):
        return None if example.form in example.changed else vcf_text()
    try:
        if content[:2] == b"\x1f\x8b":
            content = gzip.decompress(content)
        return content.decode("utf-8")
    except (OSError, EOFError, ValueError):
        return None
