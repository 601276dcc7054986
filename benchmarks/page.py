"""How fast is the page: opening it, the day sheet of a large roll, the traces and the first sound of a long take?

Printed beside what was promised: the page answers 1.5 s after the command; the day sheet of 500 takes of 14 tracks is there
in 500 ms in under 500 kB, read anew from the logbook and again; a trace of a 2-hour take of 14 tracks is drawn in 200 ms once
its data are at hand; sound comes within 300 ms of asking for the middle of a two-hour file; a job's progress is never more
than a second old. The page runs as its users run it, in a process of its own, asked over the loopback.

    python benchmarks/page.py [HOURS]
"""

import json
import os
import signal
import struct
import subprocess
import sys
import tempfile
import threading
import time
import urllib.error
import urllib.parse
import urllib.request
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import numpy as np

from takewell.cli.output import PROGRESS_EVERY_S
from takewell.engine import measure_file
from takewell.page.places import roll_key
from takewell.page.worker import SAY_EVERY_S
from takewell.roll import Examination, Logbook, Move, Verdict, measured_take, read_roll, write_moves
from takewell.wave import Bext, BroadcastWriter, Ixml, IxmlTrack

RATE, TAKES, TRACKS = 48_000, 500, 14
WIDTHS = (1110, 2200)
"""Widths that traces are asked for in, in pixels: a laptop's and a 4K screen's."""


def main() -> None:
    """Measure and print."""
    hours = float(sys.argv[1]) if len(sys.argv) > 1 else 2.0
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        many, long, wide = folder / "many", folder / "long", folder / "wide"
        write_many(many)
        write_long(long, hours)
        write_wide(wide, hours)
        opening(many)
        with served(folder) as ask:
            day_sheet(ask, many)
            traces(ask, wide, hours)
            decisions(ask, wide)
            sound(ask, long, hours)
            progress(ask, many)


def opening(roll: Path) -> None:
    """Time the command up to the first page, three times."""
    for _ in range(3):
        start = time.perf_counter()
        with served(roll.parent, roll) as ask:
            ask("")
            seconds, used = time.perf_counter() - start, ask.processor_s()
        print(
            f"from the command to the first page: {seconds:.2f} s, {used:.2f} s of it on a processor (promised 1.5 s)"
        )


def day_sheet(ask, roll: Path) -> None:
    """Time the day sheet of many takes: the first time the roll is read, read anew, and again."""
    base = f"roll/{roll_key(roll)}/"
    ask("roll/x/")  # the screens are imported
    for what in ("from the logbook", "again"):
        seconds, page = timed(ask, base)
        print(
            f"day sheet of {TAKES} takes, {what}: {seconds * 1000:.0f} ms, {len(page) / 1000:.0f} kB (promised 500 ms, 500 kB)"
        )


def traces(ask, roll: Path, hours: float) -> None:
    """Time each trace of a long take of many tracks, and a stretch of a minute."""
    base, take = f"roll/{roll_key(roll)}/", urllib.parse.quote(read_roll(roll).takes[0].id)
    seconds, _ = timed(ask, f"{base}take?id={take}")
    print(f"take sheet of {hours:g} h, {TRACKS} tracks, data and all drawings: {seconds * 1000:.0f} ms")
    for width in WIDTHS:
        for what, more in (("whole", ""), ("a minute", "&from_s=1800&to_s=1860")):
            took = [
                timed(ask, f"{base}trace?id={take}&track={n}&width={width}{more}")
                for n in range(1, TRACKS + 1)
            ]
            longest, size = max(s for s, _ in took), max(len(p) for _, p in took)
            print(
                f"a trace of it, {what}, {width} px: {longest * 1000:.0f} ms at most, {size / 1000:.0f} kB (promised 200 ms)"
            )


def decisions(ask, roll: Path) -> None:
    """Time a nudge of one track's gain up to its new drawing and prediction, the first time and again."""
    base, take = f"roll/{roll_key(roll)}/", urllib.parse.quote(read_roll(roll).takes[0].id)
    for what in ("first time", "again"):
        form = b"do=nudge&start_s=0&gain_db=3&by_db=0.5"
        seconds, _ = timed(ask, f"{base}moves?id={take}&track=3&width=1110", {"x-fragment": "1"}, form)
        print(
            f"a gain nudged, drawn and foretold, {what}: {seconds * 1000:.0f} ms (no promise but 'at once')"
        )


def sound(ask, roll: Path, hours: float) -> None:
    """Time the first sound from the middle of a long file."""
    found = read_roll(roll)
    measured_take(found, found.takes[0])
    address = f"roll/{roll_key(roll)}/listen?id={found.takes[0].id}&what=raw&track=1"
    for what in ("first time", "again"):
        middle = int(hours * 3600 * RATE) + (0 if what == "first time" else 10 * RATE)
        seconds, _ = timed(ask, address, {"range": f"bytes={middle}-{middle + 65_535}"})
        print(
            f"first sound from the middle of {hours:g} h, {what}: {seconds * 1000:.0f} ms (promised 300 ms)"
        )


def progress(ask, roll: Path) -> None:
    """Time from each step of a job's progress in the logbook to the sign of it in the browser.

    On the way to the logbook a command holds it back for 0.2 s at most and the job's process for 0.3 s.
    """
    answer = ask(f"roll/{roll_key(roll)}/jobs", {}, b"what=examine", follow=False)
    steps: list[tuple[float, int]] = []
    ended = threading.Event()
    watcher = threading.Thread(target=watch, args=(roll, int(answer.rsplit("=", 1)[1]), steps, ended))
    watcher.start()
    signs = []
    for line in ask.lines(answer.replace("/jobs?", "/jobs/events?")):
        if line.startswith("event:"):
            signs.append(time.perf_counter())
    ended.set()
    watcher.join()
    late = [min((sign - at for sign in signs if sign >= at), default=0.0) for at, _ in steps]
    held = PROGRESS_EVERY_S + SAY_EVERY_S
    print(
        f"a job's progress, {len(steps)} steps: {max(late, default=0.0) + held:.2f} s old at most (promised 1 s)"
    )


def watch(roll: Path, number: int, steps: list[tuple[float, int]], ended: threading.Event) -> None:
    """Write down when each whole percent of a job stands in the logbook."""
    with Logbook(roll) as logbook:
        while not ended.wait(0.02):
            step = next(s for s in logbook.steps() if s.id == number)
            percent = round(100 * step.done / step.whole) if step.whole else 0
            if not steps or steps[-1][1] != percent:
                steps.append((time.perf_counter(), percent))


class Asker:
    """Asks a page that is served by a process of its own."""

    def __init__(self, address: str, process: subprocess.Popen) -> None:
        self._address, self._process = address, process

    def __call__(self, path: str, headers=None, data=None, *, follow: bool = True):
        request = urllib.request.Request(self._address + path.lstrip("/"), data, headers or {})
        opener = urllib.request.build_opener() if follow else urllib.request.build_opener(_Stay)
        try:
            with opener.open(request, timeout=300) as answer:
                return answer.read()
        except urllib.error.HTTPError as error:
            return error.headers.get("location", "").removeprefix(self._address)

    def lines(self, path: str):
        """Yield the lines of an answer that goes on."""
        with urllib.request.urlopen(self._address + path.lstrip("/"), timeout=300) as answer:
            for line in answer:
                yield line.decode().strip()

    def processor_s(self) -> float:
        """Return the seconds the process has used of processors."""
        fields = Path(f"/proc/{self._process.pid}/stat").read_text().rsplit(")", 1)[1].split()
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


class _Stay(urllib.request.HTTPRedirectHandler):
    def redirect_request(self, *_given):
        return None


@contextmanager
def served(root: Path, *roll: Path):
    """Serve the page and yield what asks it."""
    command = [
        sys.executable,
        "-m",
        "takewell",
        "page",
        "--json",
        "--no-browser",
        "--root",
        str(root),
        *map(str, roll),
    ]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True)
    try:
        yield Asker(json.loads(process.stdout.readline())["address"], process)
    finally:
        process.send_signal(signal.SIGINT)
        process.wait()


def timed(work, *given):
    """Return the seconds some work took, and what it gave."""
    start = time.perf_counter()
    result = work(*given)
    return time.perf_counter() - start, result


def write_many(folder: Path) -> None:
    """Write a day of short takes, with verdicts as an examination would leave them."""
    noise = np.random.default_rng(1).standard_normal((RATE // 5, TRACKS)) * 0.01
    for k in range(TAKES):
        name, take = str(k // 5), str(k % 5 + 1)
        write(folder / f"S{name}T{take}.wav", [noise], name, take, k, named(TRACKS))
    (folder / "takewell").mkdir()
    for _ in range(2):  # the first reading writes down what the second finds
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
    write(folder / "long.wav", [minute] * round(hours * 60), "1", "1", 0, named(1))
    (folder / "takewell").mkdir()


def write_wide(folder: Path, hours: float) -> None:
    """Write a long take of many tracks: a file with a hole behind its first minute, and traces of all of it."""
    path = folder / "wide.wav"
    minute = np.random.default_rng(3).standard_normal((60 * RATE, TRACKS)) * np.geomspace(0.001, 0.2, TRACKS)
    write(path, [minute], "2", "1", 0, named(TRACKS))
    (folder / "takewell").mkdir()
    measured = measure_file(path)
    times = round(hours * 60)
    lengthen(path, times * 60 * RATE * TRACKS * 2)
    found = tuple(repeated(trace, times) for trace in measured.traces)
    with Logbook(folder) as logbook:
        logbook.save_measurement(path.name, replace(measured, traces=found))
    take, end_s = read_roll(folder).takes[0], times * 60.0
    moves = [
        Move(take.id, track.number, 0.0, end_s, 3.0, 0.0, 0.0, fixed=False, reason="benchmark")
        for track in take.tracks
    ]
    write_moves(folder, moves)


def lengthen(path: Path, data_bytes: int) -> None:
    """Make a RIFF file an RF64 file (EBU Tech 3306) whose sound is longer, the rest of it a hole."""
    with path.open("r+b") as file:
        head = file.read(1 << 16)
        data = head.index(b"data", 12)
        file.seek(0)
        file.write(b"RF64\xff\xff\xff\xff")
        file.seek(head.index(b"JUNK", 12))
        frames = data_bytes // (2 * TRACKS)
        file.write(b"ds64" + struct.pack("<IQQQI", 28, data + data_bytes, data_bytes, frames, 0))
        file.seek(data + 4)
        file.write(b"\xff\xff\xff\xff")
        file.truncate(data + 8 + data_bytes)


def repeated(trace, times: int):
    """Return a trace that goes on like its first minute, 6 dB lower, so that its peaks lie where there is sound to read."""
    longer = {}
    for name, value in vars(trace).items():
        if isinstance(value, np.ndarray) and not name.endswith("edges"):
            rest = value * np.float32(0.5) if value.dtype == np.float32 else value
            longer[name] = np.concatenate([value, np.tile(rest, times - 1)])
    for name, step in (("edges", RATE // 10), ("fine_edges", RATE // 100)):
        longer[name] = np.arange((len(getattr(trace, name)) - 1) * times + 1) * step
    return replace(trace, **longer)


def named(count: int) -> tuple[IxmlTrack, ...]:
    """Return tracks as iXML names them."""
    return tuple(IxmlTrack(n, n, f"Track {n}") for n in range(1, count + 1))


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
