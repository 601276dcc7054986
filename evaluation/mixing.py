"""Is the automatic mix what it says it is, and better than a plain sum?

``make evaluate`` runs this and writes the measured part of ``docs/mixing.md`` with its pictures. Panels are simulated
(`evaluation.panels`), so what each talker gives each microphone is known; the mixes are made by the program's own steps and read
back. Loudness and true peak are held against libebur128 and ffmpeg, speech against STOI (C. H. Taal and others 2011) and PESQ (ITU-T
P.862.2). Constants were tuned on voices and seeds of the set ``tuned`` alone; the page shows the set held apart.
"""

import argparse
import re
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyebur128
import soxr
from evaluation.panels import Panel, panel
from evaluation.sources import HELD_APART, RATE, TUNED, Source
from numpy.typing import NDArray
from pesq import NoUtterancesError, pesq
from pystoi import stoi
from scipy.signal import sosfilt

from takewell.draw.curves import PlottedCurve, curve_drawing
from takewell.draw.palette import PAPER
from takewell.measure.k_weighting import k_weighting_sos
from takewell.mix import Mix, MixSettings, mix
from takewell.mix.desk import set_up
from takewell.mix.levels import mean_around
from takewell.mix.sharing import law
from takewell.roll import Roll, TrackReader, measured_take, read_roll
from takewell.units import FINE_STEPS_PER_SECOND, step_edges
from takewell.wave import BroadcastWriter, Ixml, IxmlTrack, open_audio

F64 = NDArray[np.float64]

DOCS = Path(__file__).parent.parent / "docs"
PAGE, PICTURES = DOCS / "mixing.md", DOCS / "pictures"
BEGIN, END = "<!-- measured: begin -->", "<!-- measured: end -->"
SETS = {"tuned": TUNED, "held apart": HELD_APART}
PANELS, BOOM_PANELS = 4, 2
NEAR_DB = 15.0
"""A talker speaks where their own microphone holds them within this of their loudest second."""


@dataclass(frozen=True)
class Shares:
    """How a mix shared, against the law and the truth."""

    off_talker: F64
    """Of the talker's microphone against the law, in dB, while somebody speaks alone."""
    off_bare: F64
    """The same against the law of the momentary level, without release."""
    off_any: F64
    """Of every microphone whose share by the law is above -20 dB."""
    late: F64
    """At 50 ms after each onset: the talker's share against the law's then, in dB."""
    idle: F64
    """Shares of microphones whose talker is silent while somebody else speaks, in dB."""
    sum_off: float
    """Largest distance of the sum of the power gains from one, in dB."""
    steepest: float
    """Largest change of a power gain from one 10 ms step to the next."""


@dataclass(frozen=True)
class Heard:
    """What one way of mixing does to one talker."""

    way: str
    spill_db: float
    """What comes by other microphones than the talker's own, against what comes by it."""
    stoi: float
    pesq: float | None


def write_roll(one: Panel, folder: Path) -> Roll:
    """Write a panel as a roll of one take of 32-bit float."""
    (folder / "takewell").mkdir(parents=True)
    tracks = tuple(IxmlTrack(k + 1, k + 1, name) for k, name in enumerate(one.names))
    ixml = Ixml(project="Panel", scene="1", take="1", tracks=tracks)
    with BroadcastWriter(
        folder / "1-1.wav", rate=RATE, channels=len(one.names), encoding="float32", ixml=ixml
    ) as writer:
        writer.write(one.samples)
    return read_roll(folder)


def gains_of(roll: Roll, settings: MixSettings) -> F64:
    """Return the power gains of a roll's only take, (steps, tracks)."""
    (take,) = roll.takes
    with TrackReader(roll.folder, take) as reader:
        desk = set_up(measured_take(roll, take), reader, settings, (), ())
    return np.concatenate([desk.gains(first, shares) for first, shares, _ in desk.sharing.stretches()])


def step_power(samples: F64) -> F64:
    """Return the K-weighted mean squares of 10 ms steps of (n, microphones)."""
    weighted = sosfilt(k_weighting_sos(RATE), samples, axis=0)
    edges = step_edges(len(samples), RATE, FINE_STEPS_PER_SECOND)
    sums = np.add.reduceat(weighted**2, edges[:-1], axis=0)
    return np.asarray(sums / np.diff(edges)[:, None])


def speaking(one: Panel) -> NDArray[np.bool_]:
    """Return (steps, talkers): who speaks, by what their own microphone holds of them."""
    own = np.stack([one.parts[k, k] for k in range(4)], axis=1).astype(np.float64)
    level = mean_around(step_power(own))
    second = np.sort(level, axis=0)[-FINE_STEPS_PER_SECOND]
    return np.asarray(level > second * 10 ** (-NEAR_DB / 10))


def judged_shares(one: Panel, gains: F64) -> Shares:
    """Hold shares of lavaliers against the law applied to the true levels at the microphones."""
    true = mean_around(step_power(one.parts.sum(axis=0).T.astype(np.float64)))
    ideal = mean_around(law(falling(true)))
    bare = law(true)
    speaks = speaking(one)
    alone = speaks.sum(axis=1) == 1
    talker = np.argmax(speaks, axis=1)
    steps = np.flatnonzero(alone)
    with np.errstate(divide="ignore"):
        apart = 10 * np.log10(gains) - 10 * np.log10(ideal)
        off_bare = (10 * np.log10(gains) - 10 * np.log10(bare))[steps, talker[steps]]
    off_talker = apart[steps, talker[steps]]
    counted = ideal[steps] > 0.01
    onsets = [
        (step, k)
        for k in range(4)
        for step in np.flatnonzero(speaks[1:, k] & ~speaks[:-1, k]) + 1
        if not speaks[max(step - 30, 0) : step, k].any() and speaks[step : step + 8].sum(axis=1).max() == 1
    ]
    late = np.array([apart[step + 5, k] for step, k in onsets if step + 5 < len(apart)])
    idle = [10 * np.log10(np.maximum(gains[steps[talker[steps] != m], m], 1e-12)) for m in range(4)]
    return Shares(
        off_talker,
        off_bare,
        apart[steps][counted],
        late,
        np.concatenate(idle),
        float(np.abs(10 * np.log10(gains.sum(axis=1))).max()),
        float(np.abs(np.diff(gains, axis=0)).max()),
    )


def falling(level: F64) -> F64:
    """Return levels that fall by 60 dB a second at most, or by 300 once another microphone is louder: the plain, slow way."""
    slow, fast = 10 ** (-60 / 1000), 10 ** (-300 / 1000)
    out = level.copy()
    for step in range(1, len(out)):
        for k in range(out.shape[1]):
            louder = np.delete(level[step], k).max() > out[step - 1, k] * slow
            out[step, k] = max(level[step, k], out[step - 1, k] * (fast if louder else slow))
    return out


def mixed_parts(one: Panel, gains: F64 | None) -> F64:
    """Return (talkers, microphones, n): what each talker comes to the mix by each microphone; None is a plain sum."""
    if gains is None:
        return one.parts.astype(np.float64)
    n = one.parts.shape[2]
    middles = (np.arange(len(gains)) + 0.5) * RATE / FINE_STEPS_PER_SECOND - 0.5
    factor = np.stack([np.sqrt(np.interp(np.arange(n), middles, gains[:, m])) for m in range(gains.shape[1])])
    return np.asarray(one.parts * factor)


def heard_by(one: Panel, way: str, mixture: F64, parts: F64) -> Iterator[Heard]:
    """Yield what a way of mixing does to each talker, over their turns."""
    for talker in range(4):
        turns = [turn for turn in one.turns if turn.talker == talker]
        if not turns:
            continue
        at = np.concatenate([np.arange(turn.start, turn.end) for turn in turns])
        own = parts[talker, talker][at]
        other = (parts[talker].sum(axis=0) - parts[talker, talker])[at]
        clean = one.parts[talker, talker][at].astype(np.float64)
        dirty = mixture[at]
        yield Heard(
            way,
            float(10 * np.log10((other**2).sum() / (own**2).sum())),
            float(stoi(clean, dirty, RATE)),
            _pesq(clean, dirty),
        )


def _pesq(clean: F64, dirty: F64) -> float | None:
    low = [soxr.resample(part / np.abs(part).max() * 0.5, RATE, 16_000)[: 20 * 16_000] for part in (clean, dirty)]  # fmt: skip
    try:
        return float(pesq(16_000, low[0], low[1], "wb"))
    except NoUtterancesError:
        return None


def read(path: Path) -> F64:
    """Return a file's samples, (n, channels)."""
    with open_audio(path) as audio:
        return np.asarray(audio.read(0, audio.info.length_samples), np.float64)


def by_libebur128(samples: F64) -> tuple[float, float]:
    """Return integrated loudness and true peak."""
    speakers = pyebur128.ChannelType
    modes = pyebur128.MeasurementMode
    state = pyebur128.R128State(samples.shape[1], RATE, modes.MODE_I | modes.MODE_TRUE_PEAK)
    if samples.shape[1] == 6:
        for at, speaker in enumerate((speakers.LEFT, speakers.RIGHT, speakers.CENTER, speakers.UNUSED, speakers.LEFT_SURROUND, speakers.RIGHT_SURROUND)):  # fmt: skip
            state.set_channel(at, speaker)
    ended = np.concatenate([samples, np.zeros((64, samples.shape[1]))])
    state.add_frames(np.ascontiguousarray(ended).ravel(), len(ended))
    peak = max(pyebur128.get_true_peak(state, channel) for channel in range(samples.shape[1]))
    return float(pyebur128.get_loudness_global(state)), float(20 * np.log10(peak))


def by_ffmpeg(path: Path) -> tuple[float, float]:
    """Return integrated loudness and true peak, as its ``ebur128`` filter prints them (to a tenth)."""
    said = subprocess.run(
        ["ffmpeg", "-hide_banner", "-nostats", "-i", str(path), "-af", "ebur128=peak=true", "-f", "null", "-"],
        capture_output=True,
        text=True,
        check=True,
    ).stderr  # fmt: skip
    summary = said[said.rindex("Summary:") :]
    found = [re.search(rf"{name}:\s+(-?[\d.]+)", summary) for name in ("I", "Peak")]
    assert all(found), summary
    return tuple(float(match[1]) for match in found if match)  # type: ignore[return-value]


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return a Markdown table."""
    lines = ["| " + " | ".join(head) + " |", "|" + " --- |" * len(head)]
    return "\n".join([*lines, *("| " + " | ".join(row) + " |" for row in rows)]) + "\n"


def part_within(values: F64, most: float) -> str:
    """Return how many of some values lie within a distance."""
    return f"{100 * np.mean(np.abs(values) <= most):.1f} %"


@dataclass(frozen=True)
class Found:
    """Everything that was measured on one set."""

    level: Sequence[Shares]
    talker: Sequence[Shares]
    heard: Sequence[tuple[Heard, Heard, Heard]]
    """For each talker of each panel: plain sum, shared by level, shared by talker."""
    delays_off_ms: F64
    noise_db: tuple[float, float]
    """Noise in a mix with one hissing lavalier, against the talkers: heeded, and not."""
    files: Sequence[tuple[Mix, tuple[float, float], tuple[float, float]]]


def evaluated(name: str, folder: Path, pictures: bool) -> Found:
    """Make and judge the panels of one set."""
    voices = tuple(source for source in SETS[name] if source.kind == "speech")[:4]
    level, talker, heard, files = [], [], [], []
    for number in range(PANELS):
        one = panel(voices, name, number)
        roll = write_roll(one, folder / f"lavaliers {number}")
        gains = {by: gains_of(roll, MixSettings(by=by, line_up=False)) for by in ("level", "talker")}  # type: ignore[arg-type]
        level.append(judged_shares(one, gains["level"]))
        talker.append(judged_shares(one, gains["talker"]))
        ways = {"plain sum": one.samples.sum(axis=1, dtype=np.float64)}
        for by in ("level", "talker"):
            settings = MixSettings(by=by, layout=("mono", "stereo", "5.1")[number % 3])  # type: ignore[arg-type]
            (done,) = mix(roll, settings, folder / f"{by} {number}", encoding="int24")
            files.append((done, by_libebur128(read(done.target)), by_ffmpeg(done.target)))
            (mono,) = mix(roll, MixSettings(by=by), folder / f"mono {by} {number}", encoding="float32")  # type: ignore[arg-type]
            ways[f"by {by}"] = read(mono.target)[:, 0]
        parts = {"plain sum": None, "by level": gains["level"], "by talker": gains["talker"]}
        judged = [list(heard_by(one, way, ways[way], mixed_parts(one, parts[way]))) for way in ways]
        heard += list(zip(*judged, strict=True))
        if pictures and number == 0:
            draw(one, gains)
    return Found(
        level, talker, heard, delays_off(voices, name, folder), noise_of(voices, name, folder), files
    )


def delays_off(voices: tuple[Source, ...], name: str, folder: Path) -> F64:
    """Return how far the delays between each lavalier and the boom are off what its talker needs, in ms."""
    off = []
    for number in range(BOOM_PANELS):
        one = panel(voices, name, 100 + number, others=True)
        roll = write_roll(one, folder / f"boom {number}")
        (take,) = roll.takes
        with TrackReader(roll.folder, take) as reader:
            desk = set_up(measured_take(roll, take), reader, MixSettings(by="talker"), (), ())
        delays = np.array(desk.delays())
        for joint in desk.line_up.joints:
            pair = [desk.units[unit][0] for unit in (joint.leader, joint.other)]
            lavalier = next((m for m in pair if m < 4), None)
            if lavalier is None:
                continue
            other = pair[1 - pair.index(lavalier)]
            needed = one.delays[lavalier, other] - one.delays[lavalier, lavalier]
            off.append((delays[lavalier] - delays[other] - needed) / RATE * 1000)
    return np.array(off)


def noise_of(voices: tuple[Source, ...], name: str, folder: Path) -> tuple[float, float]:
    """Return how much noise a hissing lavalier (18 dB under its speech) brings while others speak, heeded and not, in dB."""
    one = panel(voices, name, 200, noisy_db=31.0)
    roll = write_roll(one, folder / "hiss")
    speaks = speaking(one)
    others = np.flatnonzero(speaks[:, :3].any(axis=1) & ~speaks[:, 3])
    found = []
    for heed in (True, False):
        gains = gains_of(roll, MixSettings(heed_noise=heed, line_up=False))
        found.append(float(10 * np.log10(gains[others, 3].mean())))
    return found[0], found[1]


def draw(one: Panel, gains: dict[str, F64]) -> None:
    """Write the pictures: the gains over a stretch of talk, and what the mix holds of a voice besides its own microphone."""
    PICTURES.mkdir(exist_ok=True)
    seconds = (10.0, 25.0)
    steps = np.arange(int(seconds[0] * 100), int(seconds[1] * 100), 5)
    curves = [
        PlottedCurve(
            name,
            (steps / 100).tolist(),
            np.maximum(10 * np.log10(gains["level"][steps, m] + 1e-9), -40).tolist(),
        )
        for m, name in enumerate(one.names)
    ]
    (PICTURES / "mix-gains.svg").write_text(
        curve_drawing(
            curves,
            title="Gains of four lavaliers in an automatic mix over fifteen seconds of a panel",
            x_label="seconds",
            y_label="gain, dB (before: 0 dB each)",
            palette=PAPER,
        ),
        encoding="utf-8",
    )
    speaks = speaking(one)
    lines = []
    for way, given in (("plain sum", None), ("by level", gains["level"]), ("by talker", gains["talker"])):
        parts = mixed_parts(one, given)
        own = sum(step_power(parts[k, k][:, None])[:, 0] * speaks[:, k] for k in range(4))
        every = sum(step_power((parts[k].sum(axis=0) - parts[k, k])[:, None])[:, 0] * speaks[:, k] for k in range(4))  # fmt: skip
        blocks = np.arange(steps[0], steps[-1] - 50, 50)
        level = [10 * np.log10(max(every[b : b + 50].sum(), 1e-12) / max(own[b : b + 50].sum(), 1e-12)) for b in blocks]  # fmt: skip
        kept = [(b, v) for b, v in zip(blocks, level, strict=True) if own[b : b + 50].sum() > 0]
        lines.append(PlottedCurve(way, [b / 100 for b, _ in kept], [max(v, -45.0) for _, v in kept]))
    (PICTURES / "mix-spill.svg").write_text(
        curve_drawing(
            lines,
            title="What a mix holds of a voice by other microphones than the talker's own, before and after",
            x_label="seconds",
            y_label="spill under the voice, dB",
            palette=PAPER,
        ),
        encoding="utf-8",
    )


def page(held: Found) -> str:
    """Return the measured part of the page."""
    shares = []
    for by in ("level", "talker"):
        every = held.level if by == "level" else held.talker
        off, bare, any_, late, idle = (np.concatenate([getattr(s, f) for s in every]) for f in ("off_talker", "off_bare", "off_any", "late", "idle"))  # fmt: skip
        shares.append(
            (
                f"by {by}",
                part_within(off, 0.5),
                part_within(any_, 0.5),
                part_within(bare, 0.5),
                f"{100 * np.mean(late >= -0.5):.0f} % of {len(late)}",
                f"{np.median(idle):.1f} dB",
                f"{100 * np.mean(idle <= -12):.1f} %",
                f"{max(s.sum_off for s in every):.1e} dB",
                f"{max(s.steepest for s in every):.3f}",
            )
        )
    heard = []
    plain = np.array([[h.spill_db, h.stoi, h.pesq or np.nan] for h, _, _ in held.heard])
    for k, way in enumerate(("plain sum", "by level", "by talker")):
        here = np.array([[h[k].spill_db, h[k].stoi, h[k].pesq or np.nan] for h in held.heard])
        heard.append(
            (
                way,
                f"{here[:, 0].mean():.1f} dB",
                "" if not k else f"{(plain[:, 0] - here[:, 0]).mean():.1f} dB",
                f"{here[:, 1].mean():.3f}",
                "" if not k else f"{int((here[:, 1] >= plain[:, 1]).sum())} of {len(here)}",
                f"{np.nanmean(here[:, 2]):.2f}",
                "" if not k else f"{int((here[:, 2] >= plain[:, 2]).sum())} of {len(here)}",
            )
        )
    every_file = held.files
    loudness = [abs(done.loudness_lufs - ours[0]) for done, ours, _ in every_file if done.loudness_lufs is not None]  # fmt: skip
    peaks = [abs(done.true_peak_dbtp - ours[1]) for done, ours, _ in every_file if done.true_peak_dbtp is not None]  # fmt: skip
    by_filter = [abs(done.loudness_lufs - theirs[0]) for done, _, theirs in every_file if done.loudness_lufs is not None]  # fmt: skip
    highest = max(max(ours[1], theirs[1]) for _, ours, theirs in every_file)
    missed = max(abs(ours[0] + 23.0) for done, ours, _ in every_file if not done.limited_by_peaks)
    off = held.delays_off_ms
    return "\n".join(
        (
            f"{PANELS} simulated panels of four talkers with a lavalier each (voices, seeds and turns not used while anything was tuned), "
            "60 s, a room of 6 by 5 by 2.8 m with 0.45 s of reverberation.\n",
            "### Shares\n",
            "Against the law applied to the true levels at the microphones (levels of 50 ms, falling as described above; the third column "
            "without any release), in every 10 ms in which one talker speaks:\n",
            table(
                (
                    "sharing",
                    "talker's share within 0.5 dB",
                    "every share above -20 dB within 0.5 dB",
                    "talker's, momentary law",
                    "there within 50 ms of the onset",
                    "idle microphones, median",
                    "at least 12 dB down",
                    "sum of gains off 0 dB",
                    "largest change in 10 ms",
                ),
                shares,
            ),
            "Shared by talker, the law is left on purpose: what a microphone hears of others no longer counts.\n",
            "![Gains of four lavaliers](pictures/mix-gains.svg)\n",
            "### Spill and speech\n",
            "What comes of a voice by other microphones than its talker's own, against what comes by that; STOI and PESQ (wideband) against "
            "the voice alone at its own microphone:\n",
            table(
                (
                    "mix",
                    "spill",
                    "less than the plain sum",
                    "STOI",
                    "at least the plain sum's",
                    "PESQ",
                    "at least the plain sum's",
                ),
                heard,
            ),
            "![Spill before and after](pictures/mix-spill.svg)\n",
            "### Lining up, noise, loudness\n",
            f"With a boom and a pair over the panel, {len(off)} of {4 * BOOM_PANELS} lavaliers were lined up by their own talkers; the delays are off the true ways "
            f"by {np.abs(off).max(initial=0):.2f} ms at most.\n"
            f"A lavalier that hisses 18 dB under its speech stays open at {held.noise_db[0]:.1f} dB on average while others speak, and at "
            f"{held.noise_db[1]:.1f} dB where its noise is not heeded.\n",
            f"{len(every_file)} mixes in mono, stereo and 5.1 at 24 bits, read back: integrated loudness is off the target by {missed:.2f} LU at "
            f"most, and off what the mix says by {max(loudness):.3f} LU (libebur128) and {max(by_filter):.2f} LU (ffmpeg, which prints tenths); "
            f"true peak is off what the mix says by {max(peaks):.2f} dB, and the highest reading of either meter is {highest:.2f} dBTP under a "
            "ceiling of -1.\n",
        )
    )


def main() -> int:
    """Run the set held apart and write the page; ``--quick NAME`` prints one set's figures and writes nothing."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", choices=list(SETS))
    quick = parser.parse_args().quick
    with tempfile.TemporaryDirectory() as name:
        text = page(evaluated(quick or "held apart", Path(name), pictures=not quick))
    if not quick:
        whole = PAGE.read_text(encoding="utf-8")
        before, after = whole[: whole.index(BEGIN) + len(BEGIN)], whole[whole.index(END) :]
        PAGE.write_text(f"{before}\n\n{text}\n{after}", encoding="utf-8")
    print(text)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
