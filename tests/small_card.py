"""Takes written to disk as a recorder would."""

import numpy as np

from takewell.demo import labelled_speech
from takewell.wave import Bext, BroadcastWriter, Ixml, IxmlTrack

RATE = 48_000


def write_take(
    path, columns, *, encoding="float32", scene="7", take="1", names=("Boom", "Lav"), start_s=36_000, note=""
):
    """Write one poly file with metadata as a recorder would."""
    tracks = tuple(IxmlTrack(k, k, name) for k, name in enumerate(names, 1))
    ixml = Ixml(
        project="The Tide Clock",
        scene=scene,
        take=take,
        tape="A",
        note=note,
        timecode_rate="25/1",
        timecode_flag="NDF",
        tracks=tracks,
    )
    bext = Bext(origination_date="2026-03-01", origination_time="10:00:00", time_reference=start_s * RATE)
    path.parent.mkdir(parents=True, exist_ok=True)
    with BroadcastWriter(
        path, rate=RATE, channels=len(names), encoding=encoding, bext=bext, ixml=ixml, dither=False
    ) as writer:
        writer.write(np.stack(columns, axis=1))


def speech(seconds, *, seed, voice="mira", speech_dbfs=-26.0, floor_dbfs=-68.0):
    """One voice over steady noise, (n,) float64."""
    made = labelled_speech(seconds, voice=voice, seed=seed, speech_dbfs=speech_dbfs, floor_dbfs=floor_dbfs)
    return made.samples[:, 0]
