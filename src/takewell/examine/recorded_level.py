"""Which passages were recorded far below or above where speech belongs?

No damage: a gain brings them home, and what it does to the floor is said beside it. The level is each passage's
gated loudness, the gates set as they will stand once the passage is level, so a passage 60 dB low has one.
"""

from takewell.engine.results import Passage
from takewell.examine.evidence import TrackEvidence
from takewell.examine.wording import level, when
from takewell.roll.values import Finding

LOW, HIGH = "low_level", "high_level"

LOW_DB = 15.0
"""How far under the target a passage is told as low. People who record speech leave 10 to 15 dB of headroom over what a
mix has, and a microphone that stands farther off lies lower by its distance (common practice, no source)."""

SAFETY_DB = 20.0
"""How much lower still a safety copy may lie: that is what it is for (copies are set 6 to 20 dB down; common practice,
no source)."""

HIGH_DB = 6.0
"""How far over the target a passage is told as high: peaks of speech reach 15 to 18 dB over its loudness, so full
scale is then near (common practice, no source)."""

LEAST_S = 1.0
"""Shortest passage told; a word has no level of its own."""

SAME_DB = 3.0
"""Neighbouring passages (a take running on in another file) whose levels differ by less are told as one."""


def find_recorded_level(heard: TrackEvidence) -> list[Finding]:
    """Return a finding for each passage far from the target."""
    if heard.take.kind != "take":
        return []
    low_db = LOW_DB + (SAFETY_DB if heard.track.role == "safety" else 0.0)
    far: list[tuple[float, float, float, float | None]] = []
    for passage in heard.passages():
        loudness = passage.integrated_lufs
        if loudness is None or passage.end_s - passage.start_s < LEAST_S:
            continue
        away_db = loudness - heard.target_lufs
        if -low_db < away_db < HIGH_DB:
            continue
        if far and abs(far[-1][2] - away_db) < SAME_DB and passage.start_s - far[-1][1] < 0.2:
            far[-1] = (far[-1][0], passage.end_s, far[-1][2], far[-1][3])
        else:
            far.append((passage.start_s, passage.end_s, away_db, _floor_once_level(passage, away_db)))
    return [_told(heard, *each) for each in far]


def _floor_once_level(passage: Passage, away_db: float) -> float | None:
    return None if passage.noise_floor_dbfs_a is None else passage.noise_floor_dbfs_a - away_db


def _told(heard: TrackEvidence, start_s: float, end_s: float, away_db: float, floor: float | None) -> Finding:
    whole = end_s - start_s >= 0.9 * heard.length_s
    place = "" if whole else f" {when(start_s, end_s)}"
    after = "" if floor is None else f"; its floor once level: {level(floor, 0)} dBFS(A)"
    return heard.finding(
        LOW if away_db < 0 else HIGH,
        start_s,
        end_s,
        confidence=0.9,
        severity="note",
        sentence=f"{level(abs(away_db), 0)} dB {'low' if away_db < 0 else 'high'}{place}{after}",
        remedy=f"{'Raise' if away_db < 0 else 'Lower'} it by {level(abs(away_db))} dB.",
        loudness_lufs=heard.target_lufs + away_db,
        away_from_target_db=away_db,
        floor_once_level_dbfs_a=floor,
    )
