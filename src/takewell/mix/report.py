"""What did the mix do, for a person and for a program?

A JSON text file named like the mix with ``.mix.json`` behind: which sources went in, how much of the mix each had, which
microphone had a voice from when on and why, what was lined up, the gain that brought the mix to the target, and every stretch where
the limiter acted.

Conventions: times in seconds from the first sample; shares of time and of sound from 0 to 1.
"""

import json
from dataclasses import asdict, dataclass
from pathlib import Path

from takewell import __version__, files
from takewell.shape import Action

SUFFIX = ".mix.json"


@dataclass(frozen=True)
class Contribution:
    """What one source gave to the mix."""

    name: str
    kind: str
    """``microphone``, ``pair``, ``mid/side``, ``a-format``, ``b-format``, ``ambix`` or ``voice``."""
    tracks: tuple[int, ...]
    pan: float | None
    """Place of a single microphone or voice; None for what fills several channels."""
    weight_db: float
    """What was asked for."""
    handicap_db: float
    """By how much it counted for less because of its noise."""
    mean_share: float
    """Mean of its power gain over the take; all sources together: 1."""
    leads: float
    """Part of the time in which it had the largest share."""
    sound: float
    """Part of the mix's K-weighted energy that came from it (sources taken for uncorrelated)."""


@dataclass(frozen=True)
class LinedUp:
    """What was done to a track's time and polarity."""

    track: int
    name: str
    delay_ms: float
    turned_over: bool
    against: str
    """Name of the source whose talker it was lined up by."""
    looks: int
    clearness: float
    """Peak of the correlation over its surroundings."""


@dataclass(frozen=True)
class Choice:
    """Which track has a voice from when on."""

    start_s: float
    fade_s: float
    track: int
    reason: str


@dataclass(frozen=True)
class Notched:
    """Mains hum that was taken out of a track."""

    track: int
    lowest_hz: float
    highest_hz: float
    orders: tuple[int, ...]


@dataclass(frozen=True)
class Mix:
    """One mix: where it lies, what it measures, and what went into it. None stands for what does not exist."""

    take: str
    target: Path
    rate: int
    length_samples: int
    layout: str
    encoding: str
    by: str
    gain_db: float
    """The one gain that the mix got after the sharing."""
    loudness_lufs: float | None
    true_peak_dbtp: float | None
    limited_by_peaks: bool
    """Whether the target was not reached because the limiter may take off no more."""
    contributions: tuple[Contribution, ...]
    lined_up: tuple[LinedUp, ...]
    choices: tuple[Choice, ...]
    notched: tuple[Notched, ...]
    fields: tuple[Path, ...]
    """B-format files that were written beside it."""
    actions: tuple[Action, ...]

    @property
    def sidecar(self) -> Path:
        """Where the text file lies."""
        return self.target.with_name(self.target.name + SUFFIX)


def write_report(mix: Mix) -> None:
    """Write the text file beside a mix.

    Raises
    ------
    DestinationError
        If it cannot be written.
    """
    document = {
        "what": "gain-sharing automatic mix",
        "written_by": f"Takewell {__version__}",
        "take": mix.take,
        "sample_rate_hz": mix.rate,
        "length_samples": mix.length_samples,
        "layout": mix.layout,
        "encoding": mix.encoding,
        "shared_by": mix.by,
        "gain_db": mix.gain_db,
        "integrated_lufs": mix.loudness_lufs,
        "true_peak_dbtp": mix.true_peak_dbtp,
        "below_target_because_of_peaks": mix.limited_by_peaks,
        "sources": [asdict(one) for one in mix.contributions],
        "lined_up": [asdict(one) for one in mix.lined_up],
        "voices": [asdict(one) for one in mix.choices],
        "hum_notched": [asdict(one) for one in mix.notched],
        "b_format_files": [path.name for path in mix.fields],
        "limited": [
            {
                "channel": action.channel + 1,
                "what": action.what,
                "start_s": round(action.start_samples / mix.rate, 9),
                "end_s": round(action.end_samples / mix.rate, 9),
                "reduction_db": action.reduction_db,
            }
            for action in mix.actions
        ],
    }
    files.write_text(mix.sidecar, json.dumps(document, indent=1, ensure_ascii=False) + "\n")
