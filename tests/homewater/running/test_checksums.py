"""Checksums of files and folders: by another program, by hand, and what changes them."""

import hashlib
import subprocess

import pytest

from homewater.running.checksums import checksum, checksums_within, joint_checksum


def sha(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


def test_checksum_of_a_file_is_that_of_sha256sum(tmp_path):
    file = tmp_path / "x"
    file.write_bytes(b"tide\0" * 100_000)
    told = subprocess.run(["sha256sum", file], capture_output=True, text=True, check=True).stdout.split()[0]
    assert checksum(file) == told


def test_checksum_of_a_folder_is_over_sorted_relative_names(tmp_path):
    for top in ("one", "two"):
        names = ["b/c", "b.txt", "a"]
        for name in names if top == "one" else reversed(names):
            file = tmp_path / top / name
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text("content of " + name)
    by_hand = "".join(f"{name}\0{sha('content of ' + name)}\n" for name in ("a", "b.txt", "b/c"))
    assert checksum(tmp_path / "one") == checksum(tmp_path / "two") == sha(by_hand)


@pytest.mark.parametrize("change", ["content", "name", "extra"])
def test_checksum_of_a_folder_changes_with(tmp_path, change):
    (tmp_path / "f").mkdir()
    (tmp_path / "f" / "a").write_text("1")
    before = checksum(tmp_path / "f")
    if change == "content":
        (tmp_path / "f" / "a").write_text("2")
    elif change == "name":
        (tmp_path / "f" / "a").rename(tmp_path / "f" / "b")
    else:
        (tmp_path / "f" / "c").write_text("")
    assert checksum(tmp_path / "f") != before


def test_checksums_are_those_of_the_content(tmp_path):
    (tmp_path / "a").write_bytes(b"kelp" * 100_000)
    assert checksum(tmp_path / "a") == hashlib.sha256(b"kelp" * 100_000).hexdigest()


def test_every_file_within_a_folder_is_named_by_its_path_but_those_left_out(tmp_path):
    for name in ("b/c", "a", "stamp"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text("content of " + name)
    expected = {name: sha("content of " + name) for name in ("a", "b/c")}
    assert checksums_within(tmp_path, left_out=("stamp",)) == expected
    assert list(checksums_within(tmp_path)) == ["a", "b/c", "stamp"]


def test_the_joint_checksum_is_that_of_the_files_one_after_another(tmp_path):
    for name in ("a", "b"):
        (tmp_path / name).write_text("content of " + name)
    assert joint_checksum([tmp_path / "b", tmp_path / "a"]) == sha("content of bcontent of a")
