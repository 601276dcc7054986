"""What would this recording be through another chain: what would have clipped, where would the floor lie?

The recording is read once for all chains; each chain's output is measured like any file (`takewell.engine`), never kept. A second
read writes what was asked to be heard, at a safe level under a true-peak ceiling.
"""

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from takewell.engine import Meter, TrackMeasurement
from takewell.errors import DestinationError, FileError, SettingError
from takewell.files import make_folder
from takewell.shape import Limiter
from takewell.units import amplitude
from takewell.wave import AudioFile, Bext, BroadcastWriter, open_audio
from takewell.whatif.passing import Passing
from takewell.whatif.values import ChainOutcome, ChannelOutcome, Levels, NamedChain, WhatIf

F64 = NDArray[np.float64]
Progress = Callable[[int, int, str], None]

BLOCK_SAMPLES = 65_536
SEED = 997
MOST_GAIN_DB = 80.0
"""No render is raised by more: what would need it is noise."""


def what_if(
    path: Path,
    chains: Sequence[NamedChain],
    *,
    target_lufs: float = -23.0,
    ceiling_dbtp: float = -1.0,
    render: Path | None = None,
    progress: Progress | None = None,
) -> WhatIf:
    """Put a recording through chains.

    Parameters
    ----------
    path : Path
        A recording, float as a rule; what clipped when it was made stays clipped.
    chains : sequence of NamedChain
    target_lufs : float
        Where speech belongs.
    ceiling_dbtp : float
        Highest true peak of what is rendered.
    render : Path, optional
        A folder for what can be listened to: the recording and each chain, brought to level.
    progress : callable, optional

    Raises
    ------
    FileError
        If the recording cannot be read or is empty.
    SettingError
        If no chain is given, or the target is out of reach.
    DestinationError
        If a file to be rendered is there already or cannot be written.
    """
    if not chains:
        raise SettingError("no chain was given; say what the recording shall go through.")
    if not -60 <= target_lufs <= -5:
        raise SettingError(f"a target of {target_lufs:g} LUFS is not taken; -60 to -5 is.")
    if not -20 <= ceiling_dbtp <= 0:
        raise SettingError(f"a ceiling of {ceiling_dbtp:g} dBTP is not safe to listen to; -20 to 0 is taken.")
    with open_audio(path) as audio:
        info = audio.info
        if not info.length_samples:
            raise FileError(f"{path} holds no sound; choose another recording.")
        notes: list[str] = []
        if not info.encoding.startswith("float"):
            notes.append(
                f"The recording is {info.encoding}: what went over its full scale was lost when it was made and shows in no chain."
            )
        own = Meter(info.rate, info.channels, encoding=info.encoding)
        ways = [Passing(chain, info.rate, info.channels, seed=SEED) for chain in chains]
        meters = [Meter(info.rate, info.channels, encoding="float64") for _ in chains]
        bad, over, done = 0, 0, 0
        for block in audio.blocks(BLOCK_SAMPLES):
            samples, replaced = _finite(block)
            bad += replaced
            over += int(np.count_nonzero(np.abs(samples) > 1))
            own.add(samples)
            for way, meter in zip(ways, meters, strict=True):
                meter.add(way.add(samples))
            done += len(block)
            if progress is not None:
                progress(done, info.length_samples, "through the chains")
        tracks = own.finish().tracks
        recorded = tuple(_levels(track, target_lufs) for track in tracks)
        if bad:
            notes.append(f"{bad} samples were no numbers and counted as silence.")
        measured = [meter.finish().tracks for meter in meters]
        files: dict[tuple[int, int], str] = {}
        if render is not None:
            files = _render(
                audio,
                chains,
                recorded,
                [tuple(_levels(t, target_lufs) for t in m) for m in measured],
                render,
                ceiling_dbtp,
                progress,
            )
        outcomes = [
            _outcome(index, chain, way, found, recorded, target_lufs, files)
            for index, (chain, way, found) in enumerate(zip(chains, ways, measured, strict=True))
        ]
    return WhatIf(
        str(path), info.rate, info.channels, info.length_samples / info.rate, info.encoding, target_lufs, recorded,
        tuple(track.sample_peak_dbfs for track in tracks), over,
        _saved(outcomes, info.encoding, max((t.sample_peak_dbfs or -np.inf for t in tracks), default=-np.inf)),
        tuple(outcomes), tuple(notes),
    )  # fmt: skip


def _finite(block: NDArray[np.floating]) -> tuple[F64, int]:
    samples = np.asarray(block, np.float64)
    good = np.isfinite(samples)
    if good.all():
        return samples, 0
    return np.where(good, samples, 0.0), int(np.count_nonzero(~good))


def _levels(track: TrackMeasurement, target_lufs: float) -> Levels:
    loudness, floor = track.integrated_lufs, track.noise_floor_dbfs_a
    gain = None if loudness is None else target_lufs - loudness
    at_level = None if gain is None or floor is None else floor + gain
    return Levels(loudness, track.speech_level_dbfs, floor, gain, at_level)


def _outcome(
    index: int,
    chain: NamedChain,
    way: Passing,
    tracks: tuple[TrackMeasurement, ...],
    recorded: tuple[Levels, ...],
    target_lufs: float,
    files: dict[tuple[int, int], str],
) -> ChainOutcome:
    channels = []
    for channel, track in enumerate(tracks):
        levels, gave_way = _levels(track, target_lufs), way.gave_way(channel)
        before = recorded[channel].floor_at_level_dbfs_a
        after = levels.floor_at_level_dbfs_a
        channels.append(
            ChannelOutcome(
                channel + 1,
                way.uses(channel),
                gave_way,
                sum(one.end_s - one.start_s for one in gave_way),
                levels,
                None if before is None or after is None else after - before,
                files.get((index, channel)),
            )
        )
    return ChainOutcome(chain.name, tuple(channels), _sentence(channels))


def _sentence(channels: Sequence[ChannelOutcome]) -> str:
    places = [one for channel in channels for one in channel.gave_way]
    if places:
        worst = max(places, key=lambda one: one.over_db)
        first = min(places, key=lambda one: one.start_s)
        said = (
            f"Clips in {len(places)} place{'s' if len(places) > 1 else ''}, first at {first.start_s:.2f} s ({first.stage}), "
            f"by {worst.over_db:.1f} dB at worst"
        )
    else:
        said = "Clips nowhere"
    rises = [channel.floor_rise_db for channel in channels if channel.floor_rise_db is not None]
    if not rises:
        return f"{said}; where the floor would lie cannot be said: no speech or no floor was found."
    rise = max(rises)
    how = "no higher" if rise < 0.1 else f"{rise:.1f} dB higher"
    return f"{said}; the floor under speech at level lies {how} than in the recording."


def _saved(outcomes: Sequence[ChainOutcome], encoding: str, peak_dbfs: float) -> str:
    if not encoding.startswith("float"):
        return "The recording is no float file; it saved nothing over its full scale."
    over = [outcome for outcome in outcomes if any(channel.gave_way for channel in outcome.channels)]
    if peak_dbfs > 0:
        kept = f"The float file holds peaks {peak_dbfs:.1f} dB over full scale whole; any whole-number file at this gain would have cut them"
    else:
        kept = f"The recording's peaks lie {abs(peak_dbfs):.1f} dB under full scale; a whole-number file at this gain would have held them"
    return f"{kept}. {len(over)} of {len(outcomes)} chains asked about would have clipped."


def _render(
    audio: AudioFile,
    chains: Sequence[NamedChain],
    recorded: tuple[Levels, ...],
    measured: Sequence[tuple[Levels, ...]],
    folder: Path,
    ceiling_dbtp: float,
    progress: Progress | None,
) -> dict[tuple[int, int], str]:
    """Write the recording and each chain at level; return file names by (chain, channel)."""
    info, stem = audio.info, audio.info.path.stem
    targets = [folder / f"{stem}-as-recorded.wav"]
    targets += [folder / f"{stem}-through-{k + 1}.wav" for k in range(len(chains))]
    for target in targets:
        if target.exists():
            raise DestinationError(f"{target} is there already; choose another folder or remove it first.")
    make_folder(folder)
    for index, target in enumerate(targets):
        way = Passing(chains[index - 1], info.rate, info.channels, seed=SEED) if index else None
        levels = measured[index - 1] if index else recorded
        gain = amplitude([min(one.to_level_db or 0.0, MOST_GAIN_DB) for one in levels])
        limiter = Limiter(info.rate, info.channels, ceiling_dbtp)
        said = f"What if: {chains[index - 1].name}" if index else "What if: as recorded, at level"
        with BroadcastWriter(
            target, rate=info.rate, channels=info.channels, encoding="int24",
            bext=Bext(description=said.encode("ascii", "replace").decode()[:256], originator="Takewell"), replace_existing=False,
        ) as writer:  # fmt: skip
            done = 0
            for block in audio.blocks(BLOCK_SAMPLES):
                samples, _ = _finite(block)
                writer.write(limiter.add((way.add(samples) if way is not None else samples) * gain))
                done += len(block)
                if progress is not None:
                    progress(done, info.length_samples, f"writing {target.name}")
            writer.write(limiter.finish())
    return {
        (index, channel): str(target)
        for index, target in enumerate(targets[1:])
        for channel in range(info.channels)
    }
