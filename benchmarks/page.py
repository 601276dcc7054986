"""How fast is the page: the day sheet of 500 takes of 14 tracks, and the first sound of a long file?

Printed beside what was promised: the sheet's HTML under 500 kB and there in 500 ms, sound within 300 ms of asking for
the middle of a two-hour file. Everything goes through the application in this process, without a network.

    python benchmarks/page.py [HOURS]
"""

import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from starlette.testclient import TestClient

from takewell.page import application
from takewell.page.guard import Address, loopback
from takewell.page.places import roll_key
from takewell.roll import Examination, Logbook, Verdict, measured_take, read_roll
from takewell.wave import Bext, BroadcastWriter, Ixml, IxmlTrack

RATE, TAKES, TRACKS = 48_000, 500, 14


def main() -> None:
    """Measure and print."""
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 2.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        many, long = folder / "many", folder / "long"
        write_many(many)
        write_long(long, hours)
        app = application(Address(loopback(8000)), [folder])
        client = TestClient(app, base_url="http://127.0.0.1:8000")
        for what in ("first", "again"):
            seconds, answer = timed(lambda: client.get(f"/roll/{roll_key(many)}/"))
            print(
                f"day sheet of {TAKES} takes, {what}: {seconds * 1000:.0f} ms, {len(answer.content) / 1000:.0f} kB (promised 500 ms, 500 kB)"
            )
        roll = read_roll(long)
        measured_take(roll, roll.takes[0])
        take = f"/roll/{roll_key(long)}/take?id={roll.takes[0].id}"
        seconds, _ = timed(lambda: client.get(take))
        print(f"take sheet of {hours:g} h: {seconds * 1000:.0f} ms")
        middle = int(hours * 3600 * RATE)
        asked = {"range": f"bytes={middle}-{middle + 65_535}"}
        sound = f"/roll/{roll_key(long)}/listen?id={roll.takes[0].id}&what=raw&track=1"
        client.get(sound, headers={"range": "bytes=0-99"})
        seconds, _ = timed(lambda: client.get(sound, headers=asked))
        print(f"first sound from the middle of {hours:g} h: {seconds * 1000:.0f} ms (promised 300 ms)")


def timed(work):
    """Return the seconds some work took, and what it gave."""
    start = time.perf_counter()
    result = work()
    return time.perf_counter() - start, result


def write_many(folder: Path) -> None:
    """Write a day of short takes, with verdicts as an examination would leave them."""
    noise = np.random.default_rng(1).standard_normal((RATE // 5, TRACKS)) * 0.01
    for k in range(TAKES):
        tracks = tuple(IxmlTrack(n, n, f"Track {n}") for n in range(1, TRACKS + 1))
        write(folder / f"S{k // 5}T{k % 5 + 1}.wav", [noise], str(k // 5), str(k % 5 + 1), k, tracks)
    (folder / "takewell").mkdir()
    roll = read_roll(folder)
    verdicts = tuple(
        Verdict(take.id, take.files[0].path, track.number, "good", "Speech 45 dB above its noise.")
        for take in roll.takes
        for track in take.tracks
    )
    with Logbook(folder) as logbook:
        logbook.save_examination(Examination((), verdicts))


def write_long(folder: Path, hours: float) -> None:
    """Write one long mono take."""
    minute = np.random.default_rng(2).standard_normal((60 * RATE, 1)) * 0.05
    write(folder / "long.wav", [minute] * round(hours * 60), "1", "1", 0, (IxmlTrack(1, 1, "Boom"),))
    (folder / "takewell").mkdir()


def write(path: Path, blocks, scene: str, take: str, minutes: int, tracks) -> None:
    """Write one file as a recorder would."""
    path.parent.mkdir(parents=True, exist_ok=True)
    bext = Bext(origination_date="2026-03-01", time_reference=(3600 + 60 * minutes) * RATE)
    ixml = Ixml(
        project="Speed", scene=scene, take=take, timecode_rate="25/1", timecode_flag="NDF", tracks=tracks
    )
    with BroadcastWriter(
        path, rate=RATE, channels=len(tracks), encoding="int16", bext=bext, ixml=ixml, dither=False
    ) as writer:
        for block in blocks:
            writer.write(block)


if __name__ == "__main__":
    main()
