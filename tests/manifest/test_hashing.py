"""Digests against published vectors."""

import hashlib
import itertools
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from takewell.errors import SettingError
from takewell.manifest import HASH_FORMATS, Hasher, hash_file
from takewell.manifest.c4 import c4_from_sha512, sha512_from_c4
from takewell.manifest.hashing import hash_bytes, raw_digest, same_digests

OURS = {"xxh64": "xxh64", "xxh3_64": "xxh3", "xxh128": "xxh128"}


def test_md5_of_rfc_1321(vectors: Callable[[str], Any]) -> None:
    table = vectors("hash_vectors.json")["md5_rfc1321_A.5"]
    assert len(table) == 7
    for text, digest in table.items():
        assert hash_bytes(text.encode(), "md5") == digest


def test_sha1_of_fips_180(vectors: Callable[[str], Any]) -> None:
    table = vectors("hash_vectors.json")["sha1_fips180"]
    assert table
    for text, digest in table.items():
        assert hash_bytes(text.encode(), "sha1") == digest


def test_every_format_of_the_reference_implementation(vectors: Callable[[str], Any]) -> None:
    table = vectors("hash_vectors.json")["ascmhl_media-hash-list"]
    hasher = Hasher(HASH_FORMATS)
    hasher.update(table["input_utf8"].encode())
    assert hasher.hexdigests() == {name: table["digests"][name] for name in HASH_FORMATS}


def test_xxhash_sanity_table(vectors: Callable[[str], Any]) -> None:
    table = vectors("xxhash_vectors.json")
    # The buffer of the xxHash repository's sanity check: a multiplicative generator over 64 bits.
    state, data = 2_654_435_761, bytearray()
    while len(data) < 5_000:
        data.append(state >> 56)
        state = state * 11_400_714_785_074_694_797 % 2**64
    assert data[:16].hex() == table["buffer"]["first_16_bytes_hex"]
    checked = 0
    for vector in table["vectors"]:
        if vector["alg"] in OURS and vector["seed"] == 0:  # ASC MHL: seed 0
            assert hash_bytes(bytes(data[: vector["length"]]), OURS[vector["alg"]]) == vector["digest"]
            checked += 1
    assert checked >= 20


def test_c4_of_nothing(vectors: Callable[[str], Any]) -> None:
    assert hash_bytes(b"", "c4") == vectors("hash_vectors.json")["c4_of_empty"]


@given(st.binary(min_size=64, max_size=64))
def test_a_c4_identifier_gives_its_digest_back(digest: bytes) -> None:
    identifier = c4_from_sha512(digest)
    assert len(identifier) == 90
    assert sha512_from_c4(identifier) == digest


@pytest.mark.parametrize("text", ["", "c4", "c4" + "0" * 88, "c5" + "1" * 88, "c4" + "1" * 87])
def test_what_is_no_c4_identifier_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="not a C4 identifier"):
        sha512_from_c4(text)


@given(st.binary(max_size=3_000), st.lists(st.integers(0, 3_000), max_size=4))
def test_any_split_hashes_like_the_whole(data: bytes, cuts: list[int]) -> None:
    hasher = Hasher(HASH_FORMATS)
    edges = [0, *sorted(min(cut, len(data)) for cut in cuts), len(data)]
    for start, stop in itertools.pairwise(edges):
        hasher.update(data[start:stop])
    assert hasher.hexdigests() == {name: hash_bytes(data, name) for name in HASH_FORMATS}


@pytest.mark.parametrize("size", [0, 1, 4095, 4096, 4 * 2**20, 4 * 2**20 + 1, 9_000_001])
def test_a_file_of_any_size_hashes_like_its_bytes(tmp_path: Path, size: int) -> None:
    data = (bytes(range(251)) * (size // 251 + 1))[:size]
    path = tmp_path / "file"
    path.write_bytes(data)
    counted: list[int] = []
    assert hash_file(path, ["sha1"], progress=counted.append) == {"sha1": hashlib.sha1(data).hexdigest()}
    assert sum(counted) == size


def test_formats_come_in_the_order_of_the_schema() -> None:
    assert list(Hasher(["xxh64", "md5", "md5"]).hexdigests()) == ["md5", "xxh64"]


def test_an_unknown_format_is_refused_by_name() -> None:
    with pytest.raises(SettingError, match="'crc32' is unknown; choose from c4, md5"):
        Hasher(["xxh128", "crc32"])
    with pytest.raises(SettingError, match="no hash was named"):
        Hasher([])


def test_digests_that_share_no_format_prove_nothing() -> None:
    assert same_digests({"md5": "aa"}, {"sha1": "aa"}) is None
    assert same_digests({"md5": "aa"}, {"md5": "AA", "sha1": "bb"}) is True
    assert same_digests({"md5": "aa", "sha1": "cc"}, {"md5": "AA", "sha1": "bb"}) is False


def test_a_digest_must_be_one() -> None:
    with pytest.raises(ValueError, match="hexadecimal"):
        raw_digest("zz", "md5")
