"""What did the mix do, for a person and for a program?

A JSON text file named like the mix with ``.mix.json`` behind: which tracks went in, how much of the mix each had,
the gain that brought it to the target, and every stretch where the limiter acted.

Conventions: times in seconds from the first sample; shares of time and of sound from 0 to 1.
"""

import json
from dataclasses import dataclass
from pathlib import Path

from takewell import __version__, files
from takewell.shape import Action

SUFFIX = ".mix.json"


@dataclass(frozen=True)
class Contribution:
    """What one track gave to the mix."""

    track: int
    name: str
    pan: float
    mean_share: float
    """Mean of its power gain over the take; all tracks together: 1."""
    leads: float
    """Part of the time in which it had the largest share."""
    sound: float
    """Part of the mix's K-weighted energy that came from it (tracks taken for uncorrelated)."""


@dataclass(frozen=True)
class Mix:
    """One mix: where it lies, what it measures, and what went into it. None stands for what does not exist."""

    take: str
    target: Path
    rate: int
    length_samples: int
    layout: str
    encoding: str
    gain_db: float
    """The one gain that the mix got after the sharing."""
    loudness_lufs: float | None
    true_peak_dbtp: float | None
    limited_by_peaks: bool
    """Whether the target was not reached because the limiter may take off no more."""
    contributions: tuple[Contribution, ...]
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
        "gain_db": mix.gain_db,
        "integrated_lufs": mix.loudness_lufs,
        "true_peak_dbtp": mix.true_peak_dbtp,
        "below_target_because_of_peaks": mix.limited_by_peaks,
        "tracks": [vars(contribution) for contribution in mix.contributions],
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
