"""Simulated damage, mended from its twin, comes out as the undamaged original; what cannot be mended says why."""

import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from takewell.cli.main import run
from takewell.errors import DestinationError
from takewell.examine import examine
from takewell.mend import MendedTrack, MendPlan, mended_files, plan_mends, write_mended
from takewell.wave import open_audio, read_info
from twin_recordings import F64, RATE, noise, voice

MakeRoll = Callable[..., Any]

OWN_NOISE_DBFS = -100.0
"""RMS of the noise each of the two converters adds, relative to 1.0."""


def copies(
    seconds: float, gain_db: float, loud: slice | None = None, rise: float = 1.0
) -> tuple[F64, F64, F64]:
    """Return a sound, its ISO and its copy at another gain, each with noise of its own."""
    sound = voice(seconds)
    if loud is not None:
        sound[loud] *= rise / np.abs(sound[loud]).max()
    iso = sound + noise(len(sound), OWN_NOISE_DBFS, 21)
    copy = 10 ** (gain_db / 20) * sound + noise(len(sound), OWN_NOISE_DBFS, 22)
    return sound, iso, copy


def planned(made: Any) -> MendPlan:
    return plan_mends(made.roll, examine(made.roll))


def read(path: Path) -> F64:
    with open_audio(path) as audio:
        return np.concatenate(list(audio.blocks()))[:, 0].astype(np.float64)


def level_db(x: F64) -> float:
    return float(20 * np.log10(np.sqrt(np.mean(x**2))))


def hurt(kind: str, iso: F64) -> F64:
    out = iso.copy()
    if kind == "muted":
        out[4 * RATE : round(6.5 * RATE)] = 0
    elif kind == "no numbers":
        out[5 * RATE : 5 * RATE + 37] = np.nan
        out[8 * RATE + 5 : 8 * RATE + 9] = np.inf
    elif kind == "dropouts":
        # In the middle of words, where the voice stands 20 dB over its pauses.
        for at in loud_moments(iso, 3):
            out[at : at + 3840] = 0
    else:
        out = np.clip(out, -0.5, 0.5)
    return out


def loud_moments(x: F64, count: int) -> list[int]:
    size = RATE // 10
    power = np.array([np.mean(x[i : i + size] ** 2) for i in range(2 * RATE, len(x) - 2 * RATE, size)])
    chosen: list[int] = []
    for k in np.argsort(power)[::-1].tolist():
        if all(abs(k - other) > 12 for other in chosen):
            chosen.append(k)
    return sorted(2 * RATE + k * size for k in chosen[:count])


@pytest.mark.parametrize("gain_db", [-20.0, 0.0])
@pytest.mark.parametrize("kind", ["muted", "no numbers", "dropouts", "clipped at a rail"])
def test_the_joins_cannot_be_told_from_the_original(
    make_roll: MakeRoll, tmp_path: Path, kind: str, gain_db: float
) -> None:
    loud = slice(5 * RATE, 7 * RATE) if kind.startswith("clipped") else None
    _, iso, copy = copies(12, gain_db, loud, 0.9)
    made = make_roll([hurt(kind, iso)], [copy], names=["Ada"])
    plan = planned(made)
    assert [(m.take, m.track.number, m.twin.number) for m in plan.tracks] == [("7A-1", 1, 2)]
    assert [n for n in plan.not_mended if n.needed] == []
    (file,) = write_mended(made.roll, plan.tracks, tmp_path / "out")
    mended = read(file.target)
    assert len(mended) == len(iso)
    inside = np.zeros(len(iso), bool)
    for join in plan.tracks[0].joins:
        inside[join.start_samples : join.end_samples] = True
    # The twin's own noise, brought to the track's level, and the track's own: both are in the difference, with the
    # rounding of the 24-bit copy. Half a decibel is what the noise's power strays in a few hundred samples.
    noise_db = 10 * np.log10(10 ** ((OWN_NOISE_DBFS - gain_db) / 10) + 10 ** (OWN_NOISE_DBFS / 10))
    allowed = max(level_db(iso[inside]) - 60, noise_db + 0.5)
    assert level_db((mended - iso)[inside]) < allowed
    assert np.array_equal(mended[~inside].astype(np.float32), hurt(kind, iso)[~inside].astype(np.float32))


def test_every_hurt_sample_is_replaced_and_the_rest_is_left_alone(make_roll: MakeRoll) -> None:
    _, iso, copy = copies(12, -12.0)
    at = [3 * RATE + 11, 7 * RATE, 9 * RATE + 3]
    bad = iso.copy()
    for first in at:
        bad[first : first + 20] = np.nan
    (mended,) = planned(make_roll([bad], [copy], names=["Ada"])).tracks
    assert len(mended.joins) == 3
    for first, join in zip(at, mended.joins, strict=True):
        assert join.start_samples + join.fade_in_samples <= first
        assert first + 20 <= join.end_samples - join.fade_out_samples
        # A fade within 0.3 s on either side, and what is hurt.
        assert join.end_samples - join.start_samples < 0.7 * RATE


def test_a_24_bit_track_cut_at_full_scale_becomes_float_where_its_crests_rise_above_it(
    make_roll: MakeRoll, tmp_path: Path
) -> None:
    _, iso, copy = copies(12, -20.0, slice(5 * RATE, 7 * RATE), 1.8)
    made = make_roll([np.clip(iso, -1, 1 - 2.0**-23)], [copy], encodings=("int24", "int24"), names=["Ada"])
    plan = planned(made)
    (mended,) = plan.tracks
    assert mended.encoding == "float32"
    (file,) = write_mended(made.roll, plan.tracks, tmp_path / "out")
    assert np.abs(read(file.target)).max() == pytest.approx(1.8, rel=1e-3)


def test_a_copy_whose_iso_is_whole_needs_no_mending(make_roll: MakeRoll) -> None:
    _, iso, copy = copies(12, 0.0, slice(5 * RATE, 7 * RATE), 1.8)
    plan = planned(make_roll([iso], [np.clip(copy, -1, 1 - 2.0**-23)], names=["Ada"]))
    assert plan.tracks == ()
    (left,) = plan.not_mended
    assert not left.needed
    assert left.sentence.endswith("track 1 (Ada) is whole; use that.")


def test_a_place_that_is_hurt_on_both_stays_and_says_so(make_roll: MakeRoll) -> None:
    _, iso, copy = copies(12, 0.0)
    first, second = loud_moments(iso, 2)
    bad, worse = iso.copy(), copy.copy()
    bad[first : first + 3840] = bad[second : second + 3840] = 0
    worse[second + 1000 : second + 5000] = 0
    plan = planned(make_roll([bad], [worse], names=["Ada"]))
    (mended,) = plan.tracks
    assert [j.start_samples <= first < j.end_samples for j in mended.joins] == [True]
    assert any("hurt at the same moment" in n.sentence for n in plan.not_mended if n.track == 1)


def test_a_track_without_a_twin_says_so(make_roll: MakeRoll) -> None:
    bad = voice(12)
    at = loud_moments(bad, 1)[0]
    bad[at : at + 3840] = 0
    plan = planned(make_roll([bad, voice(12, seed=40)], []))
    assert plan.tracks == ()
    assert [n.sentence.split(": ")[-1] for n in plan.not_mended] == ["no other track holds the same sound."]


def test_a_gain_that_was_moved_on_the_copy_inside_the_hurt_stretch_is_followed_on_both_sides(
    make_roll: MakeRoll,
) -> None:
    _, iso, copy = copies(16, 0.0)
    copy[8 * RATE :] *= 0.5
    bad = iso.copy()
    bad[3 * RATE : 4 * RATE] = bad[12 * RATE : 13 * RATE] = 0
    made = make_roll([bad], [copy], names=["Ada"])
    (mended,) = planned(made).tracks
    gains = [join.gains_db[0][1] for join in mended.joins]
    assert gains == pytest.approx([0.0, 20 * np.log10(2)], abs=0.01)


def test_the_originals_are_only_read_and_the_new_file_tells_its_history(make_roll: MakeRoll) -> None:
    _, iso, copy = copies(12, -12.0)
    made = make_roll([hurt("muted", iso)], [copy], names=["Ada"])
    before = [hashlib.sha256(path.read_bytes()).hexdigest() for path in made.media]
    plan = planned(made)
    (file,) = write_mended(made.roll, plan.tracks)
    assert file.target == made.folder / "takewell" / "mended" / "7A-1_01_Ada_mended.wav"
    assert [hashlib.sha256(path.read_bytes()).hexdigest() for path in made.media] == before
    info = read_info(file.target)
    assert info.bext is not None
    assert info.ixml is not None
    assert info.bext.time_reference == 10 * 3600 * RATE
    rows = info.bext.coding_history.splitlines()
    assert rows[0].startswith("A=PCM,F=48000,W=24")
    assert "mended track 1 (Ada)" in rows[1]
    assert "from track 2 (Ada safety)" in rows[1]
    assert info.ixml.note.startswith("as recorded; Takewell")
    assert (info.ixml.scene, info.ixml.take) == ("7A", "1")
    assert [t.name for t in info.ixml.tracks] == ["Ada"]
    said = json.loads(Path(f"{file.target}.mended.json").read_text())
    assert said["joins"][0]["start_s"] < 4.0
    assert mended_files(made.roll) == (file,)


def test_mended_tracks_of_other_media_are_not_taken_for_this_rolls(make_roll: MakeRoll) -> None:
    _, iso, copy = copies(12, -12.0)
    made = make_roll([hurt("muted", iso)], [copy], names=["Ada"])
    (file,) = write_mended(made.roll, planned(made).tracks)
    sidecar = Path(f"{file.target}.mended.json")
    said = json.loads(sidecar.read_text())
    said["sources"][0]["size_bytes"] += 1
    sidecar.write_text(json.dumps(said))
    assert mended_files(made.roll) == ()
    sidecar.write_text("{")
    assert mended_files(made.roll) == ()


def test_a_folder_among_the_media_is_refused(make_roll: MakeRoll) -> None:
    _, iso, copy = copies(12, -12.0)
    made = make_roll([hurt("muted", iso)], [copy], names=["Ada"])
    plan = planned(made)
    with pytest.raises(DestinationError, match="among the media"):
        write_mended(made.roll, plan.tracks, made.folder)
    assert isinstance(plan.tracks[0], MendedTrack)


def test_the_command_says_what_it_would_do_then_does_it(
    make_roll: MakeRoll, capfd: pytest.CaptureFixture[str]
) -> None:
    _, iso, copy = copies(12, -12.0)
    made = make_roll([hurt("muted", iso)], [copy], names=["Ada"])
    target = made.folder / "takewell" / "mended" / "7A-1_01_Ada_mended.wav"
    assert run(["mend", str(made.folder), "--dry-run"]) == 0
    assert {"digital", "silence"} <= set(capfd.readouterr().out.split())  # a table may fold between them
    assert not target.exists()
    assert run(["mend", str(made.folder), "--json"]) == 0
    (line,) = [json.loads(text) for text in capfd.readouterr().out.splitlines()]
    assert (line["take"], line["track"], line["from_track"], line["file"]) == ("7A-1", 1, 2, str(target))
    assert line["joins"][0]["gain_db"] == pytest.approx([12.0], abs=0.01)
    assert target.exists()
    assert run(["mend", str(made.folder), "--take", "nine"]) == 2
    assert "has no take 'nine'" in capfd.readouterr().err


def test_damage_that_stays_needs_a_person(make_roll: MakeRoll, capfd: pytest.CaptureFixture[str]) -> None:
    bad = voice(12)
    at = loud_moments(bad, 1)[0]
    bad[at : at + 3840] = 0
    made = make_roll([bad, voice(12, seed=40)], [])
    assert run(["mend", str(made.folder)]) == 1
    assert "no other track holds the same sound" in capfd.readouterr().err
