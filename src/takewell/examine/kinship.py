"""Which tracks carry one source twice, and which of two copies is reversed?

Both rest on the twins (`takewell.examine.twins`). `reversed_polarity`: the same sound with its sign changed, which
cancels as soon as the two are mixed. `doubled_track`: two ISOs under different names that hold one signal, so that
one of the two sources was never recorded. A safety copy is meant to be a twin and is no double. `swapped_track`: a safety
copy that holds another ISO's sound than that of the ISO it is labelled a copy of.
"""

from takewell.examine.evidence import TakeEvidence, TrackEvidence
from takewell.examine.twins import Twin
from takewell.examine.wording import signed
from takewell.roll.values import Finding, Severity

REVERSED, DOUBLED, SWAPPED = "reversed_polarity", "doubled_track", "swapped_track"

SAME_SIGNAL = 1 - 1e-6
"""Correlation from which two tracks hold one signal: all that differs lies 57 dB under it. Two capsules, however close,
differ by more in noise and treble; one source patched to two tracks by less."""

COPY_DB = 3.0
"""A gain between two tracks of one signal from which the second was meant as a safety copy, if nobody said so."""


def find_kinship(heard: TakeEvidence, twins: dict[int, tuple[Twin, ...]]) -> list[Finding]:
    """Return a finding for the later of two tracks that are one source reversed or doubled.

    Parameters
    ----------
    heard : TakeEvidence
        The take.
    twins : dict of int to tuple of Twin
        The twins of each track, as `find_twins` gives them.
    """
    found = [
        _swapped(track, twin) for track in heard.tracks if (twin := _wrong_original(track, twins)) is not None
    ]
    for track in heard.tracks:
        earlier = [t for t in twins.get(track.track.number, ()) if t.other.track.number < track.track.number]
        if not earlier:
            continue
        twin = max(earlier, key=lambda t: abs(t.correlation))
        if twin.correlation < 0:
            found.append(_reversed(track, twin))
        elif _doubles(track, twin):
            found.append(_doubled(track, twin))
    return found


def _wrong_original(track: TrackEvidence, twins: dict[int, tuple[Twin, ...]]) -> Twin | None:
    """Return the ISO whose sound a copy holds where it is another than its label says, else None."""
    if track.track.role != "safety" or track.track.copy_of is None:
        return None
    isos = [t for t in twins.get(track.track.number, ()) if t.other.track.role == "iso"]
    if not isos or any(t.other.track.number == track.track.copy_of for t in isos):
        return None
    return max(isos, key=lambda t: abs(t.correlation))


def _swapped(track: TrackEvidence, twin: Twin) -> Finding:
    holds = twin.other.track
    return track.finding(
        SWAPPED,
        0.0,
        track.length_s,
        confidence=0.95,
        severity="minor",
        sentence=f"labelled a copy of track {track.track.copy_of}, but holds the sound of track {holds.number} "
        f"({holds.name})",
        remedy="Correct the names in tracks.csv; nothing is hurt.",
        labelled_copy_of=track.track.copy_of,
        other_track=holds.number,
        correlation=twin.correlation,
    )


def _reversed(track: TrackEvidence, twin: Twin) -> Finding:
    other = twin.other.track
    return track.finding(
        REVERSED,
        0.0,
        track.length_s,
        confidence=0.95,
        severity="minor",
        sentence=f"the same sound as track {other.number} ({other.name}) with its polarity reversed",
        remedy=f"Invert track {track.track.number} before it is mixed with track {other.number}.",
        other_track=other.number,
        correlation=twin.correlation,
        gain_db=-twin.gain_db,
        lag_samples=-twin.lag_samples,
    )


def _doubles(track: TrackEvidence, twin: Twin) -> bool:
    one, two = track.track, twin.other.track
    isos = one.role == "iso" and two.role == "iso"
    return isos and twin.correlation >= SAME_SIGNAL and one.copy_of is None and two.copy_of is None


def _doubled(track: TrackEvidence, twin: Twin) -> Finding:
    other = twin.other.track
    copy = abs(twin.gain_db) >= COPY_DB
    severity: Severity = "note" if copy else "minor"
    return track.finding(
        DOUBLED,
        0.0,
        track.length_s,
        confidence=0.9,
        severity=severity,
        sentence=f"the same signal as track {other.number} ({other.name}) at {signed(-twin.gain_db)} dB",
        remedy="Name it a safety copy, if that is what it is."
        if copy
        else "Ask which source the two hold; the other one was not recorded.",
        other_track=other.number,
        correlation=twin.correlation,
        gain_db=-twin.gain_db,
    )
