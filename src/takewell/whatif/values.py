"""What comes out of the question "and through another chain?": values only.

Conventions: levels as everywhere, AES17 dBFS; "at level" is what a level is after the gain that brings speech to its
target loudness.
"""

from dataclasses import dataclass

from takewell.plan.chain import Chain


@dataclass(frozen=True)
class NamedChain:
    """A chain that a recording is put through. A full-scale sine of the recording enters at `entrance_db` in the first unit."""

    name: str
    stages: Chain
    entrance_db: float = 0.0


@dataclass(frozen=True)
class GaveWay:
    """One stretch in which a stage was driven over its limit; places less than 10 ms apart are one."""

    channel: int
    stage: str
    start_s: float
    end_s: float
    over_db: float
    """The most that stood over the limit."""
    samples: int


@dataclass(frozen=True)
class StageUse:
    """How far a channel drove a stage: highest peak before it gives way, what was left, what its limiter took."""

    stage: str
    unit: str
    peak_db: float | None
    headroom_db: float | None
    """Limit less peak: negative where it gave way; None where nothing limits (float)."""
    limiter_db: float
    limited_s: float
    """How long the limiter took more than 1 dB."""
    coarse_s: float
    """How long the coarser of two converters was in use."""


@dataclass(frozen=True)
class Levels:
    """A channel's level, its floor, and where the floor lies once speech is at its target."""

    integrated_lufs: float | None
    speech_level_dbfs: float | None
    noise_floor_dbfs_a: float | None
    to_level_db: float | None
    floor_at_level_dbfs_a: float | None


@dataclass(frozen=True)
class ChannelOutcome:
    """One channel through one chain."""

    channel: int
    stages: tuple[StageUse, ...]
    gave_way: tuple[GaveWay, ...]
    lost_s: float
    levels: Levels
    floor_rise_db: float | None
    """Floor at level, against the recording's own; positive is worse."""
    rendered: str | None = None


@dataclass(frozen=True)
class ChainOutcome:
    """One chain."""

    name: str
    channels: tuple[ChannelOutcome, ...]
    sentence: str


@dataclass(frozen=True)
class WhatIf:
    """A recording as it is, and through each chain."""

    file: str
    rate: int
    channels: int
    duration_s: float
    encoding: str
    target_lufs: float
    recorded: tuple[Levels, ...]
    peaks_dbfs: tuple[float | None, ...]
    samples_over_full_scale: int
    saved: str
    """What the float file saved, in a sentence."""
    chains: tuple[ChainOutcome, ...]
    notes: tuple[str, ...] = ()
