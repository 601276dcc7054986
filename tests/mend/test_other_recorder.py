"""A back-up on the body, with its own clock and a part of a sample between, mends the radio's track as well."""

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from takewell.examine import examine
from takewell.mend import plan_mends, write_mended
from takewell.roll import Roll, read_roll
from takewell.wave import Bext, BroadcastWriter, Ixml, IxmlTrack, open_audio
from twin_recordings import RATE, late, noise, voice

F64 = NDArray[np.float64]
OWN_NOISE_DBFS = -100.0


def write(folder: Path, stem: str, tracks: dict[str, F64], *, at_samples: int, scene: str) -> None:
    listed = tuple(IxmlTrack(k, k, name) for k, name in enumerate(tracks, 1))
    ixml = Ixml(scene=scene, take="1", family_uid=stem, tracks=listed)
    with BroadcastWriter(
        folder / f"{stem}.WAV",
        rate=RATE,
        channels=len(tracks),
        encoding="float32",
        bext=Bext(time_reference=at_samples, origination_date="2025-02-11"),
        ixml=ixml,
    ) as writer:
        writer.write(np.stack(list(tracks.values()), axis=1))


@pytest.fixture
def two_recorders(tmp_path: Path) -> tuple[Roll, F64]:
    """The bag's ISO with 80 ms and 1.5 s gone, and the body's own recording of it: earlier, faster by 14 ppm, -6 dB."""
    folder = tmp_path / "roll"
    folder.mkdir()
    sound = voice(24)
    iso = sound + noise(len(sound), OWN_NOISE_DBFS, 21)
    ahead = round(2.3456 * RATE)
    body = 0.5 * late(np.concatenate([voice(3, seed=8)[:ahead], sound]), 0.37, 14.0)
    body += noise(len(body), OWN_NOISE_DBFS, 22)
    bad = iso.copy()
    bad[8 * RATE : 8 * RATE + 3840] = 0
    bad[15 * RATE : round(16.5 * RATE)] = 0
    hour = 10 * 3600 * RATE
    tracks = {"Lav Ada": bad, "Lav Ben": voice(24, seed=31)}
    write(folder, "7A-T01", tracks, at_samples=hour, scene="7A")
    write(folder, "BODY-003", {"Ada body": body}, at_samples=hour - round(1.9 * RATE), scene="BODY")
    return read_roll(folder), iso


def test_the_pair_is_found_and_the_track_mended_from_it(
    two_recorders: tuple[Roll, F64], tmp_path: Path
) -> None:
    roll, iso = two_recorders
    found = examine(roll)
    (pair,) = found.pairs
    assert (pair.take, pair.other_take) == ("7A-1", "BODY-1")
    assert pair.drift_ppm == pytest.approx(14.0, abs=0.3)
    assert pair.gain_db == pytest.approx(-6.02, abs=0.1)
    assert [f.kind for f in found.findings if f.kind == "timecode_jump"] == []
    plan = plan_mends(roll, found, ["7A-1"])
    assert plan.not_mended == ()
    (mended,) = plan.tracks
    (file,) = write_mended(roll, plan.tracks, tmp_path / "out")
    with open_audio(file.target) as audio:
        samples = np.concatenate(list(audio.blocks()))[:, 0].astype(np.float64)
    inside = np.zeros(len(iso), bool)
    for join in mended.joins:
        inside[join.start_samples : join.end_samples] = True
    assert inside[8 * RATE : 8 * RATE + 3840].all()
    assert inside[15 * RATE : round(16.5 * RATE)].all()
    # Both recorders' noise is in the difference: the body's, 6 dB up, and the bag's.
    rest = np.sqrt(np.mean((samples - iso)[inside] ** 2))
    sound = np.sqrt(np.mean(iso[inside] ** 2))
    own_noise = np.sqrt(2**2 + 1) * 10 ** (OWN_NOISE_DBFS / 20)
    assert rest < max(sound * 10 ** (-60 / 20), own_noise * 10 ** (0.5 / 20))
