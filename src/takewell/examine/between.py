"""What is there to say of the tracks of a take against each other, beyond copies of one source?"""

from collections.abc import Mapping, Sequence

from takewell.examine.evidence import TakeEvidence
from takewell.examine.microphones import arrivals, find_combs, find_delays, find_spill
from takewell.examine.twins import Twin
from takewell.examine.voices import Voice, find_voices
from takewell.examine.wording import level
from takewell.roll.values import BestTrack, Finding, Verdict


def find_between(
    heard: TakeEvidence, twins: Mapping[int, Sequence[Twin]]
) -> tuple[list[Finding], list[Voice]]:
    """Return findings on delay, spill and comb filtering, and the voices that they rest on."""
    voices, isos = find_voices(heard.tracks, twins)
    if len(isos) < 2:
        return [], voices
    came = [(voice, arrivals(heard, voice, isos)) for voice in voices]
    return [*find_delays(came), *find_spill(voices, isos), *find_combs(heard, came, isos)], voices


def best_for_voices(
    voices: Sequence[Voice], verdicts: Mapping[int, Verdict], twins: Mapping[int, Sequence[Twin]]
) -> list[BestTrack]:
    """Return the track to reach for first for each voice: the one nearest to it that is whole, or its whole copy."""
    found = []
    for voice in voices:
        ranked = sorted(voice.over_floor_db, key=lambda number: -voice.over_floor_db[number])
        copies = [t.other.track.number for t in twins.get(ranked[0], ()) if t.other.track.role == "safety"]
        whole = [n for n in (ranked[0], *copies, *ranked[1:]) if verdicts[n].verdict in ("good", "level")]
        if not whole:
            continue
        best, nearest = whole[0], voice.nearest.track
        name = nearest.name or f"track {nearest.number}"
        if best == nearest.number:
            reason = f"it leads for {voice.seconds:.0f} s"
            if len(ranked) > 1:
                lead_db = voice.over_floor_db[best] - voice.over_floor_db[ranked[1]]
                reason += f", {level(lead_db, 0)} dB farther over its floor than the next"
        elif best in copies:
            reason = f"the whole copy of {name}, which is damaged"
        else:
            behind_db = voice.over_floor_db[nearest.number] - voice.over_floor_db[best]
            reason = f"{name} is damaged; this lies {level(behind_db, 0)} dB less over its floor"
        found.append(BestTrack(voice.nearest.take.id, best, reason, name))
    return found
