"""Folder hashes against the reference implementation's worked example."""

from collections.abc import Callable
from typing import Any

from takewell.manifest.directory_hash import directory_hashes
from takewell.manifest.hashing import hash_bytes


def test_the_worked_example(vectors: Callable[[str], Any]) -> None:
    table = vectors("directory_hash_vector.json")
    digests = {}
    for path, file in table["files"].items():
        digests[path] = hash_bytes(bytes.fromhex(file["bytes_hex"]), "xxh64")
        assert digests[path] == file["xxh64"]
    found = directory_hashes(digests, "xxh64")
    for folder, key in (("Clips", "directory_Clips"), (".", "root")):
        assert found[folder].content == table[key]["content"]
        assert found[folder].structure == table[key]["structure"]


def test_a_new_name_changes_the_structure_and_not_the_content() -> None:
    before = directory_hashes({"a/one.wav": "0ea03b369a463d9d"}, "xxh64")["."]
    after = directory_hashes({"a/two.wav": "0ea03b369a463d9d"}, "xxh64")["."]
    assert before.content == after.content
    assert before.structure != after.structure


def test_an_empty_folder_counts() -> None:
    without = directory_hashes({"a.wav": "0ea03b369a463d9d"}, "xxh64")
    with_it = directory_hashes({"a.wav": "0ea03b369a463d9d"}, "xxh64", ["deep/empty"])
    assert set(with_it) == {".", "deep", "deep/empty"}
    assert with_it["."] != without["."]
