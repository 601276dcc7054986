"""What stands beside a levelled copy, so that a person can read what was done and a program can undo it?

A JSON text file named like the copy with ``.levelled.json`` behind: where the copy came from, and for each channel
its gain to the sample, the moves it came from, and every stretch where more than gain was applied.

Conventions: positions are samples, times seconds, both from the first sample of that file; channels from 1.
The gain of a channel is a row of pieces, each from its start to the next one's: `from_db` where it begins, `to_db`
where it ends (`takewell.shape.envelope` says along which curve).
"""

import json
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

from takewell import __version__, files
from takewell.errors import FileError
from takewell.roll import Move
from takewell.shape import Action, GainEnvelope

SUFFIX = ".levelled.json"


@dataclass(frozen=True)
class CopyTrack:
    """What was done to one channel of a levelled copy."""

    channel: int
    track: int
    name: str
    envelope: GainEnvelope | None
    moves: tuple[Move, ...]
    actions: tuple[Action, ...]


@dataclass(frozen=True)
class LevelledCopy:
    """One levelled file: where it came from, where it lies, and what was done."""

    take: str
    source: str
    target: Path
    rate: int
    length_samples: int
    encoding: str
    ceiling_dbtp: float
    clipped_samples: int
    tracks: tuple[CopyTrack, ...]

    @property
    def sidecar(self) -> Path:
        """Where the text file lies."""
        return sidecar_of(self.target)

    @property
    def actions(self) -> tuple[Action, ...]:
        """Every stretch of any channel where more than gain was applied."""
        return tuple(action for track in self.tracks for action in track.actions)


def sidecar_of(copy: Path) -> Path:
    """Return where the text file of a levelled copy lies."""
    return copy.with_name(copy.name + SUFFIX)


def write_sidecar(copy: LevelledCopy) -> None:
    """Write the text file beside a levelled copy.

    Raises
    ------
    DestinationError
        If it cannot be written.
    """
    document = {
        "what": "levelled copy",
        "written_by": f"Takewell {__version__}",
        "take": copy.take,
        "source": copy.source,
        "sample_rate_hz": copy.rate,
        "length_samples": copy.length_samples,
        "encoding": copy.encoding,
        "true_peak_ceiling_dbtp": copy.ceiling_dbtp,
        "samples_held_at_full_scale": copy.clipped_samples,
        "tracks": [_track(track, copy.rate) for track in copy.tracks],
    }
    files.write_text(copy.sidecar, json.dumps(document, indent=1, ensure_ascii=False) + "\n")


def read_sidecar(copy: Path) -> LevelledCopy:
    """Return what the text file beside a levelled copy says.

    Raises
    ------
    FileError
        If there is none, or it says something else.
    """
    path = sidecar_of(copy)
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        return LevelledCopy(
            take=document["take"],
            source=document["source"],
            target=copy,
            rate=int(document["sample_rate_hz"]),
            length_samples=int(document["length_samples"]),
            encoding=document["encoding"],
            ceiling_dbtp=float(document["true_peak_ceiling_dbtp"]),
            clipped_samples=int(document["samples_held_at_full_scale"]),
            tracks=tuple(_read_track(t, int(document["length_samples"])) for t in document["tracks"]),
        )
    except FileNotFoundError:
        raise FileError(
            f"{copy} has no {path.name} beside it, which says what was done to it; without that it cannot be undone."
        ) from None
    except OSError as error:
        raise FileError(f"{path} cannot be read: {error.strerror or error}.") from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise FileError(f"{path} is not the text file of a levelled copy ({error!r}).") from error


def _track(track: CopyTrack, rate: int) -> dict[str, Any]:
    envelope = track.envelope
    return {
        "channel": track.channel,
        "track": track.track,
        "name": track.name,
        "gain": None
        if envelope is None
        else {
            "curve": envelope.shape,
            "starts": list(envelope.starts),
            "from_db": list(envelope.from_db),
            "to_db": list(envelope.to_db),
        },
        "moves": [asdict(move) for move in track.moves],
        "more_than_gain": [
            {
                "what": action.what,
                "start_s": round(action.start_samples / rate, 9),
                "end_s": round(action.end_samples / rate, 9),
                "start_samples": action.start_samples,
                "end_samples": action.end_samples,
                "reduction_db": action.reduction_db,
            }
            for action in track.actions
        ],
    }


def _read_track(document: dict[str, Any], length_samples: int) -> CopyTrack:
    gain = document["gain"]
    channel = int(document["channel"])
    return CopyTrack(
        channel=channel,
        track=int(document["track"]),
        name=document["name"],
        envelope=None
        if gain is None
        else GainEnvelope(
            starts=tuple(map(int, gain["starts"])),
            from_db=tuple(map(float, gain["from_db"])),
            to_db=tuple(map(float, gain["to_db"])),
            length_samples=length_samples,
            shape=gain["curve"],
        ),
        moves=tuple(Move(**move) for move in document["moves"]),
        actions=tuple(
            Action(
                channel=channel - 1,
                start_samples=int(done["start_samples"]),
                end_samples=int(done["end_samples"]),
                reduction_db=float(done["reduction_db"]),
                what=done["what"],
            )
            for done in document["more_than_gain"]
        ),
    )
