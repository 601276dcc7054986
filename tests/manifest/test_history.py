"""Manifests we write and read, against the schema and the reference implementation."""

import re
import shutil
import subprocess
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from takewell.errors import DestinationError, FileError, SettingError
from takewell.manifest import HashedFile, hash_file, read_history, seal_folder, verify, write_generation
from takewell.manifest.writing import can_be_recorded

DATA = Path(__file__).parents[1] / "data" / "manifest"
Reference = Callable[..., subprocess.CompletedProcess[str]]
Check = Callable[[Path], None]


def entry(root: Path, path: str, *formats: str) -> HashedFile:
    now = datetime.now(UTC)
    return HashedFile(
        path, (root / path).stat().st_size, now, hash_file(root / path, formats or ["xxh128"]), now
    )


@pytest.mark.outside
def test_the_reference_implementation_accepts_what_we_write(card: Path, reference_mhl: Reference) -> None:
    seal_folder(card)
    done = reference_mhl("create", "-v", card)
    assert done.returncode == 0, done.stderr
    assert done.stdout.count("verified") == 4
    assert "created original" not in done.stdout
    # The same folder hashes, theirs and ours.
    ours, theirs = read_history(card).generations
    assert ours.folders == theirs.folders
    assert set(ours.folders) == {".", "MONDAY", "MONDAY/sub", "empty"}


@pytest.mark.outside
def test_the_reference_implementation_finds_a_flipped_byte(card: Path, reference_mhl: Reference) -> None:
    seal_folder(card)
    data = bytearray((card / "MONDAY/1-1.wav").read_bytes())
    data[100] ^= 1
    (card / "MONDAY/1-1.wav").write_bytes(data)
    done = reference_mhl("create", card)
    assert done.returncode == 11
    assert "hash mismatch for        MONDAY/1-1.wav" in done.stderr


@pytest.mark.outside
def test_the_reference_implementation_misses_a_deleted_file(card: Path, reference_mhl: Reference) -> None:
    seal_folder(card)
    (card / "log sheet.txt").unlink()
    assert reference_mhl("create", card).returncode == 10


@pytest.mark.outside
def test_we_continue_what_the_reference_implementation_began(
    card: Path, reference_mhl: Reference, schema: Check
) -> None:
    assert reference_mhl("create", "-h", "md5", "-h", "xxh64", card).returncode == 0
    shutil.rmtree(card / "takewell")  # the reference tool recorded it: our patterns were not there yet
    first = read_history(card)
    assert set(first.generations[0].files[0].hashes) == {"md5", "xxh64"}
    known = [file for file in first.generations[0].files if not file.path.startswith("takewell/")]
    written = write_generation(card, [entry(card, file.path, "xxh128", "md5") for file in known])
    schema(written)
    second = read_history(card).generations[1]
    assert {h.action for file in second.files for h in file.hashes.values()} == {"verified"}
    assert reference_mhl("info", "-v", card).returncode == 0
    assert reference_mhl("create", "-h", "xxh128", "-sf", card / "log sheet.txt", card).returncode == 0


@pytest.mark.outside
def test_a_second_visit_without_folder_hashes_is_accepted_too(card: Path, reference_mhl: Reference) -> None:
    seal_folder(card)
    (card / "MONDAY/2-1.wav").write_bytes(b"afternoon")
    written = write_generation(card, [entry(card, "MONDAY/2-1.wav")])
    assert "roothash" not in written.read_text(encoding="utf-8")
    assert reference_mhl("create", card).returncode == 0


@pytest.mark.outside
def test_we_continue_nested_histories_like_the_reference(
    tmp_path: Path, reference_mhl: Reference, schema: Check
) -> None:
    root = shutil.copytree(DATA / "nested_history/Reels", tmp_path / "Reels")
    assert verify(root).whole
    written = seal_folder(root, ["xxh64"])
    for path in root.rglob("ascmhl/*"):
        schema(path)
    history = read_history(root)
    assert [len(h.generations) for h in (history, *history.nested.values())] == [2, 3, 3]
    latest, before = history.generations[1], history.generations[0]
    assert latest.folders == before.folders
    assert [file.path for file in latest.files] == ["Summary.txt"]
    assert [r.path.split("/")[0] for r in latest.references] == ["A002R2EC", "A003R2EC"]
    assert written.parent == root / "ascmhl"
    done = reference_mhl("create", "-h", "xxh64", root)
    assert done.returncode == 0, done.stderr
    assert "should have hash" not in done.stdout + done.stderr


def test_what_we_write_follows_the_schema(card: Path, schema: Check) -> None:
    manifest = seal_folder(
        card, ["xxh128", "c4", "md5", "sha1", "xxh3", "xxh64"], author="N. N.", comment="a < b"
    )
    seal_folder(card, ["md5"])
    schema(manifest)
    schema(manifest.parent / "ascmhl_chain.xml")
    assert re.fullmatch(r"0001_ROLL 1_\d{4}-\d\d-\d\d_\d{6}Z\.mhl", manifest.name)
    assert len(list(manifest.parent.glob("0002_*"))) == 1


def test_a_history_is_read_as_it_was_written(card: Path) -> None:
    seal_folder(card)
    history = read_history(card)
    assert set(history.paths()) == {
        "MONDAY/1-1.wav",
        "MONDAY/Größe.txt",
        "MONDAY/sub/Größe & <two> – 日本.wav",
        "log sheet.txt",
    }
    for path in history.paths():
        first = history.first(path)
        assert first is not None
        assert first.hashes == hash_file(card / path)
        assert first.size_bytes == (card / path).stat().st_size
    assert history.generations[0].process == "in-place"
    assert "takewell/" in history.ignore


def test_a_folder_without_a_history_has_none(tmp_path: Path) -> None:
    history = read_history(tmp_path)
    assert not history
    assert list(history.paths()) == []


def test_a_changed_manifest_is_found_by_the_chain(card: Path) -> None:
    manifest = seal_folder(card)
    manifest.write_bytes(manifest.read_bytes().replace(b"1-1.wav", b"1-2.wav"))
    with pytest.raises(FileError, match="was changed after it was written"):
        read_history(card)


def test_a_missing_manifest_is_named(card: Path) -> None:
    seal_folder(card).unlink()
    with pytest.raises(FileError, match=r"0001_.*is named in the manifest chain but cannot be read"):
        read_history(card)


def test_a_missing_chain_is_named(card: Path) -> None:
    (seal_folder(card).parent / "ascmhl_chain.xml").unlink()
    with pytest.raises(FileError, match=r"ascmhl_chain\.xml cannot be read"):
        read_history(card)


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (b"", "is damaged"),
        (b'<ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0"><hashlist', "is damaged"),
        (b"<ascmhldirectory/>", "is not an ASC MHL version 2 file"),
        (
            b'<!DOCTYPE a [<!ENTITY x SYSTEM "file:///etc/passwd">]><ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0">&x;</ascmhldirectory>',
            "declares a document type",
        ),
        (
            b'<ascmhldirectory xmlns="urn:ASC:MHL:DIRECTORY:v2.0"><hashlist sequencenr="2"><path>a</path><c4>c4</c4></hashlist></ascmhldirectory>',
            "out of order",
        ),
    ],
)
def test_a_damaged_chain_is_one_sentence(card: Path, text: bytes, message: str) -> None:
    chain = seal_folder(card).parent / "ascmhl_chain.xml"
    chain.write_bytes(text)
    with pytest.raises(FileError, match=message):
        read_history(card)


def test_a_manifest_must_not_point_outside(card: Path) -> None:
    manifest = seal_folder(card)
    text = manifest.read_bytes().replace(b"MONDAY/1-1.wav", b"../../outside.wav")
    manifest.write_bytes(text)
    chain = manifest.parent / "ascmhl_chain.xml"
    old = read_text_c4(chain)
    chain.write_text(chain.read_text().replace(old, hash_file(manifest, ["c4"])["c4"]))
    with pytest.raises(FileError, match="no path inside its folder"):
        read_history(card)


def read_text_c4(chain: Path) -> str:
    found = re.search("<c4>(.*?)</c4>", chain.read_text())
    assert found
    return found[1]


def test_a_manifest_left_out_of_the_chain_by_a_crash_is_entered(card: Path, schema: Check) -> None:
    seal_folder(card)
    chain = card / "ascmhl/ascmhl_chain.xml"
    before = chain.read_bytes()
    seal_folder(card)
    chain.write_bytes(before)  # as if the writer had been stopped between manifest and chain
    seal_folder(card)
    schema(chain)
    assert [generation.file_name[:4] for generation in read_history(card).generations] == [
        "0001",
        "0002",
        "0003",
    ]


def test_a_file_that_failed_is_marked_and_its_first_hash_kept(card: Path) -> None:
    seal_folder(card)
    good = hash_file(card / "log sheet.txt")
    (card / "log sheet.txt").write_text("something else")
    write_generation(card, [entry(card, "log sheet.txt", "xxh128", "md5")])
    latest = read_history(card).generations[-1].files[0]
    assert {name: h.action for name, h in latest.hashes.items()} == {"md5": "failed", "xxh128": "failed"}
    first = read_history(card).first("log sheet.txt")
    assert first is not None
    assert first.hashes == good


def test_a_new_format_alone_proves_nothing(card: Path) -> None:
    seal_folder(card)
    with pytest.raises(SettingError, match="on record as xxh128 but was hashed as md5"):
        write_generation(card, [entry(card, "log sheet.txt", "md5")])


def test_sealing_again_in_another_format_hashes_the_known_one_too(card: Path) -> None:
    seal_folder(card)
    seal_folder(card, ["md5"])
    latest = read_history(card).generations[-1]
    assert {tuple(file.hashes) for file in latest.files} == {("md5", "xxh128")}
    assert {h.action for file in latest.files for h in file.hashes.values()} == {"verified"}


@pytest.mark.parametrize(
    "path", ["/etc/passwd", "../x", "a/../b", "./a", "", ".", "a//b", "a\x01b", "a\nb", "\udcff"]
)
def test_a_path_that_cannot_be_recorded_is_refused(tmp_path: Path, path: str) -> None:
    now = datetime.now(UTC)
    with pytest.raises(SettingError):
        write_generation(tmp_path, [HashedFile(path, 1, now, {"md5": "00" * 16}, now)])
    assert not (tmp_path / "ascmhl").exists()


def test_a_path_may_not_stand_twice(card: Path) -> None:
    twice = entry(card, "log sheet.txt")
    with pytest.raises(SettingError, match="stands twice"):
        write_generation(card, [twice, twice])


def test_nothing_to_record_is_said(tmp_path: Path) -> None:
    with pytest.raises(SettingError, match="no file to record"):
        write_generation(tmp_path, [])


def test_names_that_xml_cannot_hold() -> None:
    assert can_be_recorded("Größe – 日本 🎤 & <a>.wav")
    assert not can_be_recorded("tab\there")
    assert not can_be_recorded("broken \udcff")


def test_a_folder_of_the_longest_name_gets_a_manifest(tmp_path: Path, schema: Check) -> None:
    root = tmp_path / ("ü" * 127)
    root.mkdir()
    (root / "a.wav").write_bytes(b"a")
    manifest = seal_folder(root)
    assert len(manifest.name.encode()) <= 255
    schema(manifest)
    assert verify(root).whole


def test_a_place_that_may_not_be_written_is_one_sentence(card: Path) -> None:
    (card / "ascmhl").mkdir()
    (card / "ascmhl").rmdir()
    (card / "ascmhl").write_text("a file where the folder should be")
    with pytest.raises(DestinationError, match="a file of that name is there"):
        seal_folder(card)
